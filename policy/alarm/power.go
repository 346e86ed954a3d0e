package alarm

// Power watches the humidifier's own power. A float switch or a bare disc makes it fall to a fraction when the water
// is gone; a humidifier without either keeps drawing it, and then this side knows nothing.
type Power struct {
	Run   float64 `json:"run"`    // learned running power, watts; 0: not known
	Seen  int     `json:"seen"`   // reports it rests on, up to [powerKnown]
	Low   int     `json:"low"`    // reports in a row below half of it
	LowOn float64 `json:"low_on"` // seconds of on-time since the first of these
	High  int     `json:"high"`   // reports in a row near it, while dry
	Above int     `json:"above"`  // reports in a row far above it: it was learned too low
	// Healthy is the seconds of on-time since the last report near the running power.
	Healthy float64 `json:"healthy"`
	// Early counts reports in the first seconds of a run, EarlyLow those that were low although the humidifier ran.
	Early    int `json:"early"`
	EarlyLow int `json:"early_low"`
	// PowerTells: the power has fallen at an empty reservoir before, so a steady power means water.
	PowerTells bool `json:"power_tells,omitempty"`
}

const (
	powerKnown  = 5
	powerLow    = 0.5 // share of the running power
	powerHigh   = 0.7
	powerAbove  = 1.5
	powerSettle = 15.0 // seconds after switching on: spin-up, and reports that were under way; more where they come late
	// powerConfirm: seconds of on-time after the first low report. A plug that was switched off at its button may say
	// its power before its state; and one that reports on change only says the low power once.
	powerConfirm = 5.0
	powerOnce    = 30.0
	// Short pulses may hold no later report than an early one. It counts where at most one in fifty of at least thirty
	// early reports was low in a humidifier that worked.
	powerEarliest = 1.5
	earlyKnown    = 30
	earlyShare    = 50
)

// advance takes in this step's reports of power, of a run of onFor seconds after so many seconds of rest.
func (p *Power) advance(w *Water, dt float64, on bool, onFor, rested float64) opinion {
	commanded := on && (w.Plug.Told || w.Plug.Hand.Active)
	if w.Plug.Hand.AtPlug && w.Late > 0 {
		commanded = false // its last word may be an old one that was overtaken, and no hand: nobody knows what it does
	}
	if p.Low > 0 {
		switch {
		case commanded:
			p.LowOn += dt
		case p.LowOn < powerConfirm:
			p.Low, p.LowOn = 0, 0 // it was going off
		}
	}
	if commanded {
		p.Healthy += dt
	}
	verdict := unsure
	for _, r := range w.Reports {
		if r.Plug != w.Index || !r.HasWatts || r.Retained {
			continue
		}
		if p.Seen >= powerKnown && r.Watts > powerHigh*p.Run {
			p.Low, p.LowOn = 0, 0 // whenever that was: it runs as ever
		}
		if !commanded || onFor < powerEarliest || w.Plug.Output() < 1 {
			continue
		}
		if onFor < powerSettle+w.Late {
			// A late report is perhaps one of the time before. But nothing that rested then drew the power of a run.
			ofThis := w.Late == 0 || rested > powerSettle+w.Late && p.Seen >= powerKnown && r.Watts > powerHigh*p.Run
			if !ofThis || w.Late == 0 && !p.trustEarly(r.Watts) {
				continue
			}
		}
		if v := p.take(r.Watts); v != unsure {
			verdict = v
		}
	}
	if p.Seen >= powerKnown && (p.Low >= 2 && p.LowOn >= powerConfirm || p.Low >= 1 && p.LowOn >= powerOnce) {
		verdict = dry
	}
	return verdict
}

// trustEarly counts a report from the first seconds of a run and says whether it means something.
func (p *Power) trustEarly(watts float64) bool {
	if p.Seen < powerKnown {
		return true // take sorts out what is no running power
	}
	low := watts < powerLow*p.Run
	trusted := p.Early >= earlyKnown && p.EarlyLow*earlyShare <= p.Early
	if p.Low == 0 { // a dry humidifier must not teach that early reports are low
		p.Early = min(p.Early+1, 1000)
		if low && !trusted {
			p.EarlyLow++
		}
		if p.Early == 1000 {
			p.Early, p.EarlyLow = 500, p.EarlyLow/2
		}
	}
	return !low || trusted
}

// take sorts one report of a running humidifier.
func (p *Power) take(watts float64) opinion {
	if p.Seen >= powerKnown && watts < powerLow*p.Run {
		p.Low++
		p.High = 0
		return unsure
	}
	if watts < leastWatts {
		return unsure // no power known yet, and this is none
	}
	p.Low, p.LowOn, p.Healthy = 0, 0, 0
	if p.Seen >= powerKnown && watts > powerAbove*p.Run {
		if p.Above++; p.Above < 3 {
			return unsure
		}
		p.Seen, p.Run = 0, 0 // learned on a dry humidifier, or another one hangs on the plug now
	}
	p.Above = 0
	p.Seen = min(p.Seen+1, powerKnown)
	share := 0.1
	if p.Seen < powerKnown {
		share = 1 / float64(p.Seen)
	}
	p.Run += share * (watts - p.Run)
	if p.High = min(p.High+1, 10); p.High >= 2 && p.Seen >= powerKnown && watts > powerHigh*p.Run {
		return wet
	}
	return unsure
}

// sound reports whether the meter said within the last two minutes of on-time that the humidifier runs as it always does.
func (p *Power) sound() bool { return p.Seen >= powerKnown && p.Low == 0 && p.Healthy < 120 }

package alarm

import (
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/guard"
)

// PlugWatch is what is learned of one plug: its power, and whether it follows.
type PlugWatch struct {
	Name     string  `json:"name"`
	RunWatts float64 `json:"run_watts"` // while it runs; 0: not known
	Seen     int     `json:"seen"`      // reports that it rests on, up to [wattsKnown]
	Switches int64   `json:"switches"`  // when they were last counted
	Against  int     `json:"against"`   // reports of power in a row that contradict the command to be off
	Idle     int     `json:"idle"`      // reports in a row of no power although on

	// What became of commands: short pulses never disagree for long, so those that were not followed are counted.
	Told     bool    `json:"told,omitempty"`     // at the last step
	Reported bool    `json:"reported,omitempty"` // the same
	Waited   float64 `json:"waited"`             // seconds since the command last turned
	Ignored  int     `json:"ignored"`            // commands that were not followed since the plug last moved
	Still    float64 `json:"still"`              // seconds since it last moved
	Quiet    float64 `json:"quiet,omitempty"`    // seconds since it last said anything
	Doubt    float64 `json:"doubt,omitempty"`    // seconds for which it still counts as one that does not obey, unless it moves
	// Answers is how long, in seconds, its word takes to come after a command, at the longest of late.
	Answers float64 `json:"answers"`
}

const (
	wattsKnown   = 5    // reports until the running power counts as known
	wattsSettle  = 15.0 // seconds after switching during which power means nothing
	wattsIdle    = 0.2  // share of the running power below which a fan does not run
	wattsRunning = 0.5  // share above which a plug that was told off runs
	leastWatts   = 2.0  // what a meter can tell from nothing
	powerReports = 3    // reports in a row that it takes

	// ignoredMost commands, each given ignoredLeast seconds, none of them followed: more than a bad link loses.
	ignoredMost  = 3
	ignoredLeast = 8.0

	// disagreesLeast, seconds: a report takes its time, and one that is late says something else than the command after every
	// switching. A plug that does not obey stands still meanwhile.
	disagreesLeast = 30.0
	// doubtFor, seconds: a plug that stood still when it was told to move has not obeyed because it is told to stay as it is for a
	// minute between two pulses. It is taken at its word only after so long without a command to move.
	doubtFor = 900.0
	// quietLeast, seconds: a plug that hears a command it does not follow says so sooner, or its power.
	quietLeast = 60.0
	// answersFaded is the share by which a quicker answer takes from the longest of late.
	answersFaded = 0.1
	// answersMost, seconds: what takes longer was no answer.
	answersMost = 60.0
)

// late is how long what a plug says of its power may have been under way, in seconds: nothing to reckon with where its
// answers come in good time, which is also that of a gateway that gathers messages.
func (w *PlugWatch) late() float64 {
	if w.Answers <= guard.LateAnswer.Seconds() {
		return 0
	}
	return w.Answers
}

// Late is for how long, in seconds, what the plug of that index says may be under way, where that is more than usual.
func (d *Detectors) Late(plug int) float64 {
	if plug < 0 || plug >= len(d.Plugs) {
		return 0
	}
	return d.Plugs[plug].late()
}

// disagrees reports whether a plug says something else than it was told for longer than its word takes.
func (w *PlugWatch) disagrees(p *guard.Plug, now time.Time) bool {
	return !p.DisagreesSince.IsZero() && min(now.Sub(p.DisagreesSince).Seconds(), w.Still) >= disagreesLeast
}

// plugs compares what plugs do with what they were told, and learns their power.
func (s *detection) plugs() {
	s.Plugs = s.matchedPlugs()
	for i := range s.Plugs {
		s.Plugs[i].Quiet += s.dt
	}
	for _, r := range s.e.Reports {
		if r.Plug >= 0 && r.Plug < len(s.Plugs) {
			s.Plugs[r.Plug].Quiet = 0
		}
	}
	c, worst := s.out.Of(PlugDisobeys), 0
	for i := range s.e.Plugs {
		p, w := &s.e.Plugs[i], &s.Plugs[i]
		s.meter(i, p, w)
		w.follow(p, s.dt, s.reports(i))
		code := Code("")
		switch {
		case w.disagrees(p, s.e.Now) && !p.Hand.AtPlug, w.Ignored >= ignoredMost:
			code, w.Doubt = w.stuck(p), doubtFor
		case s.runsAnyway(s.e.Spec, i):
			code = StuckOn
		case w.Doubt > 0:
			code = w.stuck(p)
		}
		if code == "" {
			continue
		}
		c.Instances |= Instance(i)
		bad := badness(code, p)
		switch { // the worst is named
		case c.Active && bad <= worst:
			c.also(p.Name)
			continue
		case c.Active:
			c.also(c.About)
		}
		worst = bad
		c.Active, c.Code, c.About, c.Since, c.Worse, c.Value = true, code, p.Name, p.DisagreesSince, bad == harmful, 0
		if code == Unheard && p.Reported {
			c.Value = 1
		}
	}
}

// stuck says how a plug does not obey. Of one that says nothing any more nobody knows what it does: it may have been pulled out while it
// was on, or run on without its network.
func (w *PlugWatch) stuck(p *guard.Plug) Code {
	switch {
	case w.Quiet >= quietLeast:
		return Unheard
	case p.Reported:
		return StuckOn
	}
	return StuckOff
}

// harmful is the most that a plug which does not obey can be.
const harmful = 4

// badness ranks plugs that do not obey: one that cannot be stopped comes before one that may not be, and that before one that does not
// start; before all one that does harm.
func badness(code Code, p *guard.Plug) int {
	switch heats := p.Role == chamber.Heater; {
	case code == StuckOn && (heats || p.Role == chamber.Humidifier), code == Unheard && p.Reported && heats:
		return harmful
	case code == StuckOn:
		return 3
	case code == Unheard && p.Reported:
		return 2
	}
	return 1
}

// runsAnyway reports whether a plug was found, by its power, to run whatever it is told.
func (d *Detectors) runsAnyway(spec *chamber.Spec, i int) bool {
	return i >= 0 && i < min(len(d.Plugs), len(spec.Plugs)) && d.Plugs[i].Against >= powerReports && spec.Plugs[i].Meters
}

// FanOdd reports whether the exhaust fan may move other air than is known: it is broken or clogged, or runs whatever it is told.
func (d *Detectors) FanOdd(spec *chamber.Spec) bool {
	return d.Fan.Odd() || d.runsAnyway(spec, spec.Plug(chamber.ExhaustFan))
}

// obeys reports whether the plug of that role, if there is one, does what it is told as far as is known.
func (s *detection) obeys(r chamber.Role) bool {
	i := s.e.Spec.Plug(r)
	c := s.out.Of(PlugDisobeys)
	return i < 0 || !c.Active || c.Instances&Instance(i) == 0
}

func (s *detection) reports(i int) bool { return i < len(s.e.Spec.Plugs) && s.e.Spec.Plugs[i].Reports }

// follow counts the commands that a plug did not follow. Any movement of it, by whom ever, shows that it is alive. Of one that
// reports nothing there is no telling, and none of its commands counts: the chamber would pass for upset for ever.
func (w *PlugWatch) follow(p *guard.Plug, dt float64, reports bool) {
	w.Still += dt
	w.Doubt = max(0, w.Doubt-dt)
	if !reports || p.Hand.Active || !p.HasTold || p.Reported != w.Reported {
		w.Ignored, w.Doubt = 0, 0
	}
	if p.Reported != w.Reported {
		w.Still = 0
		w.answered(p, dt)
	}
	if p.Told != w.Told {
		if reports && w.Waited >= ignoredLeast && p.Reported != w.Told && !p.Hand.Active {
			w.Ignored++
		}
		w.Waited = 0
	}
	w.Waited += dt
	w.Told, w.Reported = p.Told, p.Reported
}

// answered takes note of how long a report was awaited. One that says the opposite of the command answers the one before.
func (w *PlugWatch) answered(p *guard.Plug, dt float64) {
	waited := w.Waited + dt
	if p.Told != w.Told { // it was told otherwise in this very step
		waited = dt
	}
	switch {
	case p.Hand.Active || !p.HasTold || waited > answersMost:
	case p.Reported != p.Told:
		w.Answers = max(w.Answers, waited)
	default:
		w.Answers = max(waited, w.Answers+answersFaded*(waited-w.Answers))
	}
}

// matchedPlugs keeps what is known of plugs by name, so that a change of configuration moves nothing.
func (s *detection) matchedPlugs() []PlugWatch {
	out := make([]PlugWatch, len(s.e.Plugs))
	for i := range out {
		name := s.e.Plugs[i].Name
		out[i] = PlugWatch{Name: name, Switches: s.e.Plugs[i].Switches}
		for _, old := range s.Plugs {
			if old.Name == name {
				out[i] = old
			}
		}
	}
	return out
}

// meter takes in the power that a plug reported in this step.
func (s *detection) meter(i int, p *guard.Plug, w *PlugWatch) {
	for _, r := range s.e.Reports {
		if r.Plug != i || !r.HasWatts || r.Retained {
			continue
		}
		if w.Seen >= wattsKnown && r.Watts > wattsRunning*w.RunWatts {
			w.Idle = 0 // whenever that was: it has its power
		}
		settle := wattsSettle + w.late()
		if !p.Known || r.At.Sub(p.ChangedAt).Seconds() < settle || r.At.Sub(p.ToldAt).Seconds() < settle {
			continue
		}
		if !p.On {
			if !p.Told && w.Seen >= wattsKnown && r.Watts > max(leastWatts, wattsRunning*w.RunWatts) {
				w.Against++
			} else {
				w.Against = 0
			}
			continue
		}
		if w.Against < powerReports || r.Watts <= wattsIdle*w.RunWatts {
			w.Against = 0 // else it was found to run when told off, and that it runs when told on is no sign that it can be stopped
		}
		if p.Output() < 1 { // what a dimmed plug draws says little
			continue
		}
		if !p.Told { // it may be off already, and not have said so
			w.Idle = 0
			continue
		}
		w.Idle++
		if w.Seen < wattsKnown || r.Watts > wattsIdle*w.RunWatts {
			w.learn(r.Watts)
			w.Idle = 0
		}
	}
}

// learn follows the power of a running plug; a reading near nothing is no running plug.
func (w *PlugWatch) learn(watts float64) {
	if watts < leastWatts {
		return
	}
	w.Seen = min(w.Seen+1, wattsKnown)
	share := 0.1
	if w.Seen < wattsKnown {
		share = 1 / float64(w.Seen)
	}
	w.RunWatts += share * (watts - w.RunWatts)
}

package replay

import (
	"math"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/rehearse"
)

// Run is a replay under way.
type Run struct {
	past *Past
	ctl  *tended
	run  *rehearse.Run
	sums tally
}

// tended is a policy in whose chamber people do what they did.
type tended struct {
	*rehearse.PolicyController
	todo []policy.Action
}

// Step steps the policy, with what people did since the last step.
func (c *tended) Step(in policy.Input) policy.Decision {
	for len(c.todo) > 0 && !c.todo[0].At.After(in.Now) {
		in.Actions = append(in.Actions, c.todo[0])
		c.todo = c.todo[1:]
	}
	return c.PolicyController.Step(in)
}

// Begin starts a replay under the policy of now; rules alone where it must not plan.
func (p *Past) Begin(rules bool) (*Run, error) {
	pol := &policy.Policy{Spec: p.query.Spec, Climates: p.query.Climates, Rules: rules}
	ctl := &tended{PolicyController: &rehearse.PolicyController{Policy: pol, State: p.start()}, todo: p.actions}
	run, err := rehearse.New(p.Case, ctl)
	if err != nil {
		return nil, err
	}
	return &Run{past: p, ctl: ctl, run: run}, nil
}

// Done reports whether the stretch is over.
func (r *Run) Done() bool { return r.run.Done() }

// At is how much of the stretch has passed.
func (r *Run) At() time.Duration { return r.run.At() }

// For is its length.
func (r *Run) For() time.Duration { return r.past.Case.For }

// Advance lets time pass, whole minutes.
func (r *Run) Advance(d time.Duration) {
	for end := min(r.run.At()+d, r.past.Case.For); r.run.At() < end; {
		var m minute
		for range 60 {
			r.run.Advance(time.Second)
			rig := r.run.Rig()
			air := rig.State.Truth(&rig.Params)
			m.RH, m.CO2, m.AirC, m.RoomCO2 = m.RH+air.RelativeHumidity/60, m.CO2+air.CO2PPM/60, m.AirC+air.AirC/60, m.RoomCO2+rig.Room().CO2PPM/60
		}
		if r.run.At() > settle {
			m.aim(&r.ctl.State.Target)
			r.sums.add(m)
		}
	}
}

func (m *minute) aim(t *crop.Target) {
	nan := math.NaN()
	m.Aim, m.Low, m.High, m.CO2Max, m.ColdestC, m.WarmestC = nan, nan, nan, nan, nan, nan
	if !t.OK {
		return
	}
	m.Aim, m.Low, m.High = t.RelativeHumidity.Aim, t.RelativeHumidity.Low, t.RelativeHumidity.High
	m.CO2Max, m.ColdestC, m.WarmestC = t.CO2MaxPPM, t.TemperatureC.Low, t.TemperatureC.High
}

// Figures are those of the stretch so far, by minutes as those of the record are.
func (r *Run) Figures() rehearse.Figures {
	f, by := r.sums.Figures(), r.run.Figures()
	f.SwitchesPerHour, f.WaterLitersPerDay, f.FanHoursPerDay, f.Violations = by.SwitchesPerHour, by.WaterLitersPerDay, by.FanHoursPerDay, by.Violations
	return f
}

// minute is the mean air of one minute and what was wanted of it; what is not known is not a number, and a CO2Max of 0
// is no maximum.
type minute struct {
	RH, CO2, AirC, RoomCO2 float64
	Aim, Low, High         float64
	CO2Max                 float64
	ColdestC, WarmestC     float64
}

// tally makes figures of minutes. Minutes in which nothing was wanted, or humidity is not known, do not count.
type tally struct {
	n, in25, in5, inRange, saturated, rh float64
	co2N, co2, below, possible, both     float64
	tempN, temp, tempIn                  float64
}

func (t *tally) add(m minute) {
	if math.IsNaN(m.Aim) || math.IsNaN(m.RH) {
		return
	}
	one := func(yes bool) float64 {
		if yes {
			return 1
		}
		return 0
	}
	off := math.Abs(m.RH - m.Aim)
	t.n++
	t.rh += m.RH
	t.in25 += one(off <= 0.025)
	t.in5 += one(off <= 0.05)
	t.inRange += one(m.RH >= m.Low && m.RH <= m.High)
	t.saturated += one(m.RH > 0.995)
	if !math.IsNaN(m.CO2) {
		below, possible := !(m.CO2Max > 0) || m.CO2 <= m.CO2Max, !(m.CO2Max > 0) || !(m.RoomCO2 >= m.CO2Max)
		t.co2N++
		t.co2 += m.CO2
		t.below += one(below)
		t.possible += one(possible)
		t.both += one(below && possible)
	}
	if !math.IsNaN(m.AirC) {
		t.tempN++
		t.temp += m.AirC
		t.tempIn += one(chamber.Band{Low: m.ColdestC, High: m.WarmestC}.Holds(m.AirC))
	}
}

// Figures gives the shares so far, without what minutes do not tell.
func (t *tally) Figures() rehearse.Figures {
	share := func(sum, n float64) float64 { return sum / math.Max(1, n) }
	return rehearse.Figures{Hours: t.n / 60, RHWithin2_5: share(t.in25, t.n), RHWithin5: share(t.in5, t.n), RHInRange: share(t.inRange, t.n),
		RHSaturated: share(t.saturated, t.n), RHMean: share(t.rh, t.n), CO2BelowMax: share(t.below, t.co2N), CO2BelowMaxPossible: share(t.both, t.possible),
		CO2Mean: share(t.co2, t.co2N), TemperatureInRange: share(t.tempIn, t.tempN), TemperatureMean: share(t.temp, t.tempN)}
}

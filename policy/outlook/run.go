package outlook

import (
	"math"
	"slices"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/air"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/learn"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/species"
)

// Course is what became of the chamber in one run, with a reservoir that never runs dry: from it follows when any real
// one would.
type Course struct {
	// Load has for the end of each hour what the humidifier had to do until then, in hours of the room's air as it was of
	// late: hours of drier air count for more. It goes on beyond the time asked for by [beyond].
	Load []float64
	// Duty is how long it ran in an hour of that air, in hours of full output.
	Duty   float64
	Hours  float64 // that were simulated and count
	Ranges []Kept
	Raised []alarm.Name // alarms that were raised in them, each once
}

// Kept is for how long a quantity was observed and in range, in seconds.
type Kept struct {
	Quantity     chamber.Quantity
	Observed, In float64
}

const (
	tick     = 2 * time.Second  // of the simulated chamber
	lookEach = 20 * time.Second // how often the policy hears its sensors: less often it would waste water
	endless  = 1e8              // grams of water
	usualKg  = 25               // kilograms of substrate in a cubic meter of a shelf tent

	settle = 90 * time.Minute // until walls, crop and what the policy knows of them have found together
	window = 4 * time.Hour    // that each run then looks at, somewhere in the time asked for
	beyond = 3                // times the time asked for, up to which the use of water is carried on
)

// What a chamber gets of what labels promise: see policy/rehearse. Common practice.
const (
	fanShare, fanSpread   = 0.6, 0.25
	mistShare, mistSpread = 0.9, 0.20
)

// Run lets time pass in one simulated chamber; the same seed is the same run. It looks at some hours of the time asked for,
// other ones for each seed, and carries the use of water over to the rest by the load: the water that the incoming air
// lacks. Each simulated hour it asks whether to go on; false ends it, and then there is no course.
func (q *Question) Run(seed uint64, goOn func() bool) (Course, bool) {
	span := min(window, q.For)
	if q.Thorough {
		span = q.For
	}
	// Evenly spread whatever their number: multiples of the golden section.
	_, part := math.Modf(float64(seed%1024) * 0.6180339887498949)
	from := time.Duration(part * float64(q.For-span)).Truncate(time.Minute)
	n := plant.Noise{State: seed*0x9e3779b97f4a7c15 + 0x243f6a8885a308d3}
	r := q.begin(&n, seed, from-settle)
	if !r.pass(settle, goOn) {
		return Course{}, false
	}
	before, mist := kept(&r.state), r.rig.State.Total.MistG
	r.raised = nil
	if !r.pass(settle+span, goOn) {
		return Course{}, false
	}
	c := Course{Hours: span.Hours(), Raised: r.raised}
	for _, k := range kept(&r.state) {
		for _, b := range before {
			if b.Quantity == k.Quantity {
				k.Observed -= b.Observed
				k.In -= b.In
			}
		}
		c.Ranges = append(c.Ranges, k)
	}
	for _, a := range alarm.Names() { // what stands and never ceased counts too
		if r.state.Alarms.Active(a) && !slices.Contains(c.Raised, a) {
			c.Raised = append(c.Raised, a)
		}
	}
	usual := plant.Weather{AirC: q.Room.MeanC, DailyK: q.Room.SwingK, Humidity: q.Room.RH, CO2PPM: q.Room.CO2PPM, StartHour: r.weather.StartHour, MixingHour: 1}
	c.Load = weigh(q.loads(&r.rig.Params, &r.weather), mean(q.loads(&r.rig.Params, &usual)))
	ranH := (r.rig.State.Total.MistG - mist) / r.rig.Params.MistGPerH
	c.Duty = ranH / max(1e-9, c.at((from+span).Hours())-c.at(from.Hours()))
	return c, true
}

// pass lets time pass until so long after the beginning of the run.
func (r *run) pass(until time.Duration, goOn func() bool) bool {
	for r.at < until {
		if !goOn() {
			return false
		}
		for hour := r.at + time.Hour; r.at < min(hour, until); {
			r.at += tick
			r.tick(r.at)
		}
	}
	return true
}

// loads gives for each hour how much water the air of the chamber lacks: what comes in, as the crop's breath asks for,
// times what it lacks to the humidity aimed at.
func (q *Question) loads(p *plant.Params, w *plant.Weather) []float64 {
	aim, t := 0.9, &q.State.Target
	if t.OK {
		aim = t.RelativeHumidity.Aim
	}
	c := w.AirC
	if e := q.State.Air.Inside.Temperature; !e.At.IsZero() {
		c = e.Value
	}
	want := aim * plant.Saturation(c)
	made := p.RespirationAt(c, p.FruitKg) // g/h
	var all []float64
	for h := 0.5; h < beyond*q.For.Hours(); h++ {
		room := w.At(h * 3600)
		fresh := p.LeakPerHour * p.VolumeM3
		switch {
		case t.OK && t.CO2MaxPPM > 0:
			fresh += made / (1.83e-3 * max(100, 0.85*t.CO2MaxPPM-room.CO2PPM)) // a ppm in a cubic meter weighs 1.83 mg
		case t.OK:
			fresh += t.FAEPerHour * p.VolumeM3
		}
		lack := max(0.02*want, want-room.RelativeHumidity*plant.Saturation(room.AirC))
		all = append(all, fresh*lack)
	}
	return all
}

// weigh adds up the loads of the hours, each by the usual one.
func weigh(loads []float64, usual float64) []float64 {
	sum, out := 0.0, make([]float64, len(loads))
	for i, l := range loads {
		sum += l / usual
		out[i] = sum
	}
	return out
}

// kept sums the counters up over stages.
func kept(s *policy.State) (all []Kept) {
	for _, t := range s.Totals.InRange {
		i := slices.IndexFunc(all, func(k Kept) bool { return k.Quantity == t.Quantity })
		if i < 0 {
			all, i = append(all, Kept{Quantity: t.Quantity}), len(all)
		}
		all[i].Observed += t.ObservedSeconds
		all[i].In += t.InRangeSeconds
	}
	return all
}

// run is one simulated chamber with the policy at its plugs.
type run struct {
	q       *Question
	offset  time.Duration // of the run's beginning from now
	policy  policy.Policy
	state   policy.State
	weather plant.Weather // from now on
	rig     *plant.Rig
	in      policy.Input
	at      time.Duration // since the beginning
	looked  time.Duration
	wake    time.Duration // 0: none before the next look
	raised  []alarm.Name
}

func (q *Question) begin(n *plant.Noise, seed uint64, offset time.Duration) *run {
	r := &run{q: q, offset: offset, policy: *q.Policy, state: q.State, looked: -lookEach}
	r.policy.Observe = false
	// What the detectors know is of the real chamber; in another one they would cry wolf.
	r.state.Reservoir, r.state.Detectors = alarm.Reservoir{}, alarm.Detectors{}
	r.state.Sensors = slices.Clone(q.State.Sensors)
	for i := range r.state.Sensors { // what they say from now on is the truth already
		x := &r.state.Sensors[i]
		x.Calibration.Slope, x.Calibration.Offset, x.Aside = 1, 0, time.Time{}
	}
	zone := q.Policy.Spec.Zone
	if zone == nil {
		zone = time.UTC
	}
	h, m, _ := q.Wall.In(zone).Clock()
	start := float64(h) + float64(m)/60
	p := q.params(n, seed)
	p.StartHour = start + 24 + offset.Hours()
	sensors, outlets := plant.EquipFor(q.Policy.Spec, seed)
	for i := range sensors { // the policy goes by what sensors show, and so does whether it is in range
		s := &sensors[i]
		s.Bias, s.Gain, s.Creep, s.EveryS, s.OffsetS, s.Change = 0, 0, 0, lookEach.Seconds(), 1, 0
	}
	r.weather = q.Room.weather(n, start+24) // a whole day on, so that what comes before now is there too
	then := r.weather
	then.StartHour += offset.Hours()
	r.rig = plant.NewRig(p, then, sensors, outlets, n.Uint64())
	r.settle(&p)
	r.in.LinkUp = true
	return r
}

// settle puts the simulated chamber into the state of the real one, as far as that is known.
func (r *run) settle(p *plant.Params) {
	inside, s := &r.q.State.Air.Inside, &r.rig.State
	now := s.Truth(p)
	if e := inside.Temperature; !e.At.IsZero() {
		now.AirC = e.Value
	}
	if e := inside.RelativeHumidity; !e.At.IsZero() {
		now.RelativeHumidity = max(0.1, min(e.Value, 1))
	}
	if e := inside.CO2; !e.At.IsZero() {
		now.CO2PPM = e.Value
	}
	s.WallC, s.ContentsC = now.AirC, now.AirC
	s.SetAir(p, now)
	s.FilmG = 0.5 * p.FilmFullGPerM2 * p.WallAreaM2
	s.ReservoirG = endless
	for i := range r.rig.Outlets {
		r.rig.Outlets[i].On = r.q.State.Plugs[i].On && r.q.State.Plugs[i].Known
	}
}

// params draws a chamber: what was learned, within its uncertainty; what the configuration says, as far as labels go; and
// the rest from the family.
func (q *Question) params(n *plant.Noise, seed uint64) plant.Params {
	spec := q.Policy.Spec
	stage := q.State.Target.Stage
	if stage == 0 {
		stage = species.Fruiting
	}
	p := plant.Random(seed, stage).Params
	kg := 0.0
	for i := range q.State.Crop.Batches {
		if b := &q.State.Crop.Batches[i]; b.Retired.IsZero() {
			kg += b.SubstrateKg
		}
	}
	if kg <= 0 {
		kg = usualKg * spec.VolumeM3
	}
	p.Scale(spec.VolumeM3, kg)
	if pa, ok := air.BarometricPressure(air.Meters(spec.AltitudeM)); ok {
		p.PressurePa = float64(pa)
	}
	p.ReservoirG, p.ScalePerKg = endless, 0
	drawn := p
	q.label(&p, n)
	q.learned(&p, n)
	if p.Validate() != nil { // labels or lessons that no chamber can have
		return drawn
	}
	return p
}

func spread(n *plant.Noise, sd float64) float64 { return math.Exp(sd * max(-3, min(n.Normal(), 3))) }

func (q *Question) label(p *plant.Params, n *plant.Noise) {
	mist, fan := mistShare*spread(n, mistSpread), fanShare*spread(n, fanSpread)
	if x := q.Policy.Spec.Rating(chamber.Humidifier, chamber.Output); x > 0 {
		p.MistGPerH = x * mist
	}
	if x := q.Policy.Spec.Rating(chamber.ExhaustFan, chamber.Flow); x > 0 {
		p.FanM3PerH = x * fan
	}
}

func (q *Question) learned(p *plant.Params, n *plant.Noise) {
	k := q.State.Learn.Knowledge(p.VolumeM3, q.Policy.Spec.AltitudeM)
	for _, l := range []*learn.Learned{&k.FanOn, &k.FanOff, &k.CO2GPerH, &k.MistGPerH} {
		l.Value *= spread(n, l.RelativeSD)
	}
	c := 20.0
	if e := q.State.Air.Inside.Temperature; !e.At.IsZero() {
		c = e.Value
	}
	k.Shape(p, c)
}

// tick lets a few seconds pass in the chamber and steps the policy where it has something to hear or to do.
func (r *run) tick(at time.Duration) {
	samples, reports := r.rig.Advance(tick.Seconds())
	now := r.q.State.Now.Add(at)
	for _, s := range samples {
		i := slices.IndexFunc(r.in.Readings, func(x chamber.Reading) bool { return x.Sensor == s.Sensor })
		if i < 0 {
			r.in.Readings, i = append(r.in.Readings, chamber.Reading{}), len(r.in.Readings)
		}
		r.in.Readings[i] = chamber.Reading{Sensor: s.Sensor, Value: s.Value, At: now}
	}
	for _, x := range reports {
		if x.HasOn { // power tells of a reservoir that never runs dry here
			r.in.Reports = append(r.in.Reports, chamber.PlugReport{Plug: x.Outlet, HasOn: true, On: x.On, Level: x.Level, At: now})
		}
	}
	if len(r.in.Reports) == 0 && at-r.looked < lookEach && (r.wake == 0 || at < r.wake) {
		return
	}
	if at-r.looked >= lookEach {
		r.looked = at
	}
	r.in.Now, r.in.Wall, r.in.Link = now, r.q.Wall.Add(r.offset+at), true
	var d policy.Decision
	r.state, d = r.policy.Step(r.state, r.in)
	if r.state.Reservoir.Dry { // it is not: there is water without end
		r.state.Reservoir = alarm.Reservoir{}
	}
	r.in = policy.Input{}
	r.wake = 0
	if d.Wake.Before(now.Add(policy.LongestSleep)) {
		r.wake = max(at+tick, d.Wake.Sub(r.q.State.Now))
	}
	for i := range d.Plugs {
		if x := &d.Plugs[i]; x.Send {
			r.rig.Command(i, x.Order())
		}
	}
	for i := range d.Events {
		e := &d.Events[i]
		if e.Kind == policy.AlarmChanged && e.Phase == alarm.Unacknowledged.String() && !slices.Contains(r.raised, e.Alarm) {
			r.raised = append(r.raised, e.Alarm)
		}
	}
}

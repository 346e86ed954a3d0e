package rehearse

import (
	"slices"
	"time"

	"gillkeeper/policy/air"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/plant"
)

// post carries what sensors and plugs say to the controller, and loses, delays and doubles some of it on request.
type post struct {
	noise    plant.Noise
	down     bool
	lost     float64
	late     float64
	mixed    float64
	doubled  float64
	readings []parcel[chamber.Reading]
	reports  []parcel[chamber.PlugReport]
}

type parcel[T any] struct {
	due  float64
	what T
}

// pass works out how the post is at a moment, and says whether there is any.
func (p *post) pass(at float64, faults []plant.Fault) (link bool) {
	p.down, p.lost, p.late, p.mixed, p.doubled = false, 0, 0, 0, 0
	for i := range faults {
		if !faults[i].Active(at) {
			continue
		}
		switch faults[i].Kind {
		case plant.LinkDown:
			p.down = true
		case plant.MessagesLost:
			p.lost = faults[i].Amount
		case plant.MessagesLate:
			p.late = faults[i].Amount
		case plant.MessagesMixed:
			p.mixed = faults[i].Amount
		case plant.MessagesDoubled:
			p.doubled = faults[i].Amount
		}
	}
	return !p.down
}

func (p *post) chance(share float64) bool { return share > 0 && p.noise.Uniform(0, 1) < share }

// loses says whether the next message is lost.
func (p *post) loses() bool { return p.chance(p.lost) }

// deliver takes what was said now and gives what arrives now. A CO2 sensor that counts molecules is corrected for the
// altitude here, as it is where payloads are decoded.
func (p *post) deliver(spec *chamber.Spec, now time.Time, at float64, samples []plant.Sample, reports []plant.Report) (rs []chamber.Reading, ps []chamber.PlugReport) {
	for _, s := range samples {
		if x := &spec.Sensors[s.Sensor]; x.Quantity == chamber.CO2 && !x.CompensatesPressure {
			s.Value = corrected(s.Value, spec.AltitudeM)
		}
		p.readings = send(p, p.readings, at, chamber.Reading{Sensor: s.Sensor, Value: s.Value})
	}
	for _, o := range reports {
		p.reports = send(p, p.reports, at, chamber.PlugReport{Plug: o.Outlet, HasOn: o.HasOn, On: o.On, Level: o.Level, HasWatts: o.HasWatts, Watts: o.Watts})
	}
	p.readings = arrive(p.readings, at, func(r chamber.Reading) { r.At = now; rs = append(rs, r) })
	p.reports = arrive(p.reports, at, func(r chamber.PlugReport) { r.At = now; ps = append(ps, r) })
	return rs, ps
}

func corrected(ppm, altitudeM float64) float64 {
	if pressure, ok := air.BarometricPressure(air.Meters(altitudeM)); ok {
		if c, ok := air.CompensateNDIR(air.PPM(ppm), pressure); ok {
			return float64(c)
		}
	}
	return ppm
}

func send[T any](p *post, queue []parcel[T], at float64, what T) []parcel[T] {
	if p.down || p.loses() {
		return queue
	}
	queue = append(queue, parcel[T]{at + p.delay(), what})
	if p.chance(p.doubled) {
		queue = append(queue, parcel[T]{at + p.delay(), what})
	}
	return queue
}

// delay is how long the next message is under way.
func (p *post) delay() float64 {
	if p.mixed > 0 {
		return p.late + p.noise.Uniform(0, p.mixed)
	}
	return p.late
}

// fork is another post with the same messages under way.
func (p post) fork() post {
	p.readings, p.reports = slices.Clone(p.readings), slices.Clone(p.reports)
	return p
}

// arrive hands over what is due and gives what is not.
func arrive[T any](queue []parcel[T], at float64, take func(T)) []parcel[T] {
	left := queue[:0]
	for _, x := range queue {
		if x.due <= at {
			take(x.what)
		} else {
			left = append(left, x)
		}
	}
	return left
}

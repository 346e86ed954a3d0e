package alarm

import "slices"

// Places says for each sensor or plug of the configuration before which place it has in the present one, or -1 where it is gone.
type Places []int

// Refit lays the alarms over another configuration: of which sensor or plug somebody was told goes with it to its new place. One
// that took the place of another is news.
func (s State) Refit(sensors, plugs Places) State {
	for i := range s.Lives {
		if to, ok := placesOf(names[i], sensors, plugs); ok {
			l := &s.Lives[i]
			l.LastTold, l.Gone, l.Condition.Instances = to.bits(l.LastTold), to.bits(l.Gone), to.bits(l.Condition.Instances)
		}
	}
	return s
}

// Refit does the same for what the detectors hold.
func (d Detectors) Refit(sensors, plugs Places) Detectors {
	d.Held = slices.Clone(d.Held)
	for i := range d.Held {
		if to, ok := placesOf(d.Held[i].Alarm, sensors, plugs); ok {
			d.Held[i].Instances = to.bits(d.Held[i].Instances)
		}
	}
	return d
}

func placesOf(n Name, sensors, plugs Places) (Places, bool) {
	switch n {
	case SensorSilent, SensorStuck, SensorDisagrees:
		return sensors, true
	case PlugDisobeys:
		return plugs, true
	}
	return nil, false
}

// bits moves the bits of instances.
func (m Places) bits(set uint64) (out uint64) {
	for from, to := range m {
		if set&Instance(from) != 0 && to >= 0 {
			out |= Instance(to)
		}
	}
	return out
}

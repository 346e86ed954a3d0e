package alarm

import (
	"slices"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/learn"
)

// How long a cause is held responsible after it has ceased.
const (
	// doorLingers: the chamber needs that long to come back to its climate after it was shut.
	doorLingers = 15 * time.Minute
	// brokerLingers: sensors that report every few minutes need that long to be heard again.
	brokerLingers = 5 * time.Minute
	// linkLasts: a connection that is up for so long has come to stay. Two clients of one id throw each other out within half a minute.
	linkLasts = time.Minute
	// linkBreaks is how many breaks in a row are more than a broker's restart.
	linkBreaks = 4
	// begunTold is for how long it is said that the journal was begun anew: whoever was away for some days is to see it.
	begunTold = 7 * 24 * time.Hour
	// dryLingers: after a refill, walls and blocks take their share first.
	dryLingers = time.Hour
	// upsetLingers: after plugs did what they should not, or nobody looked, walls that have dried take the mist for
	// themselves until they are wet again.
	upsetLingers = 45 * time.Minute
	// upsetGap: a longer time between two steps is one in which nobody looked.
	upsetGap = 2 * time.Minute
)

// causes names, for each active condition, the alarm that it follows from: one root cause gives one alarm. An alarm that is out
// of service is nobody's cause: what was attached to it would stand nowhere.
func (s *detection) causes() {
	open := s.Door.explains() && !s.e.outOfService(ChamberOpen)
	lost := s.Link.Was && !s.e.outOfService(BrokerLost)
	s.nothingHeard()
	for i := range s.out {
		c, d := &s.out[i], &Declared[i]
		if !c.Active {
			// A suppressed alarm stays suppressed until its cause lets go.
			c.Suppress = c.Unknown && open && slices.Contains(d.SuppressedBy, ChamberOpen)
			continue
		}
		switch {
		case open && slices.Contains(d.SuppressedBy, ChamberOpen):
			c.Cause, c.Suppress = ChamberOpen, true
		case lost && slices.Contains(d.SuppressedBy, BrokerLost):
			c.Cause, c.Suppress = BrokerLost, true
		default:
			for _, root := range d.FollowsFrom {
				if s.follows(names[i], root) {
					c.Cause = root
					s.weigh(root, d.Priority)
					break
				}
			}
			c.ByHand = c.Cause == "" && s.handExplains(names[i])
		}
	}
}

// nothingHeard finds that neither sensors nor plugs of the chamber speak, while the broker does: that is one thing, its power or its
// network. Plugs are asked all the time, and so are missed first.
func (s *detection) nothingHeard() {
	silent, plugs := s.out.Of(SensorSilent), s.out.Of(PlugDisobeys)
	if !silent.Active || !plugs.Active || plugs.Code != Unheard {
		return
	}
	for i := range s.e.Sensors {
		if !s.e.Sensors[i].Silent {
			return
		}
	}
	for i := range s.e.Plugs {
		if s.reports(i) && s.Plugs[i].Quiet < quietLeast {
			return
		}
	}
	s.unheard = true
	plugs.Code, plugs.About, plugs.Also, plugs.Value = NothingHeard, "", "", 0
}

// handExplains reports whether the air can come from a humidifier or fan that somebody switched at the plug. That person knows, or else
// nobody was there and the plug does as it likes, which shows as soon as it is told again: either way the dry air beside it is no news yet.
// Heat waits for nobody.
func (s *detection) handExplains(n Name) bool {
	return slices.ContainsFunc(s.e.Plugs, func(p guard.Plug) bool {
		return p.Hand.AtPlug && (p.Role == chamber.Humidifier || p.Role == chamber.ExhaustFan) && explains(p.Role, p.Hand.On, n)
	})
}

// weigh makes a root cause as grave as what follows from it, which is told in its place: whoever asked only for what is at least
// that grave must hear of it.
func (s *detection) weigh(root Name, p Priority) {
	if r := s.out.Of(root); r.Active && p > Of(root).Priority {
		r.Worse = true
	}
}

// upset notes that the chamber is or was lately not as it usually is, for a cause that is known: what the air then answers
// to mist says nothing of the reservoir.
func (s *detection) upset() {
	room := &s.e.Air.Room.CO2 // so much of it hides what the fan moves
	now := s.Door.lately() || s.Fan.Odd() || s.out.Of(FanFailed).Active || s.Link.Was || s.dt >= upsetGap.Seconds() || room.OK && room.Value > learn.RoomHigh
	for i := range s.e.Plugs {
		p := &s.e.Plugs[i]
		if p.Role == chamber.Lamp {
			continue
		}
		late := !p.DisagreesSince.IsZero() && s.e.Now.Sub(p.DisagreesSince) >= PlugDisobeysAfter
		now = now || p.Hand.Active || late || s.runsAnyway(s.e.Spec, i) || i < len(s.Plugs) && s.Plugs[i].Ignored >= ignoredMost
	}
	s.Upset = s.Upset.advance(now, s.dt, upsetLingers.Seconds())
}

// follows reports whether the condition of n can come from that of root as it is now.
func (s *detection) follows(n, root Name) bool {
	r := s.out.Of(root)
	if s.e.outOfService(root) {
		return false
	}
	switch root {
	case BrokerLost:
		return s.Link.Was && !s.e.standsAlone(n)
	case ReservoirDry:
		return s.Dry.Was
	}
	if !r.Active {
		return false
	}
	switch {
	case n == SensorSilent:
		return s.unheard
	case root == PlugDisobeys:
		return s.plugExplains(n, r)
	case root == SensorDisagrees && n != FallbackActive:
		return s.misleads(n, r)
	case n == FallbackActive:
		return s.blinds(r)
	}
	return true
}

// standsAlone reports whether people were told of an alarm that follows from nothing. When the connection breaks is known to the second:
// what stood before does not come of it.
func (e *Evidence) standsAlone(n Name) bool {
	if e.Lives == nil {
		return false
	}
	l := e.Lives.Of(n)
	return l.Phase.Active() && l.Told && l.Condition.Cause == ""
}

// misleads reports whether an alarm of the air rests on the word of a sensor that seems to have jumped, or the air is dry because a fan
// is run for what such a sensor says of CO2.
func (s *detection) misleads(n Name, r *Condition) bool {
	if r.Code != Jumped || !s.e.Heeded.Of(chamber.Inside, r.Quantity).OK {
		return false
	}
	return s.out.Of(n).Quantity == r.Quantity || n == HumidityLow && r.Quantity == chamber.CO2 && r.Value > 0
}

// blinds reports whether a condition of sensors concerns one of a quantity that is missing in the chamber.
func (s *detection) blinds(r *Condition) bool {
	for i := range s.e.Spec.Sensors {
		x := &s.e.Spec.Sensors[i]
		if r.Instances&Instance(i) != 0 && x.Place == chamber.Inside && slices.Contains(s.e.Fallback, x.Quantity) {
			return true
		}
	}
	return false
}

// plugExplains reports whether a plug that does not obey explains the air: a stuck plug explains what it does or fails
// to do, and nothing else.
func (s *detection) plugExplains(n Name, r *Condition) bool {
	for i := range s.e.Spec.Plugs {
		if r.Instances&Instance(i) != 0 && i < len(s.e.Plugs) && explains(s.e.Spec.Plugs[i].Role, s.e.Plugs[i].Reported || s.runsAnyway(s.e.Spec, i), n) {
			return true
		}
	}
	return false
}

// explains reports whether the air can come from a plug of that role that is on, or off, against the command.
func explains(r chamber.Role, on bool, n Name) bool {
	switch r {
	case chamber.Humidifier:
		return on && n == HumidityHigh || !on && n == HumidityLow
	case chamber.ExhaustFan:
		return on && n == HumidityLow || !on && (n == CO2High || n == HumidityHigh)
	case chamber.Heater:
		return on && n == TemperatureHigh || !on && n == TemperatureLow
	case chamber.Cooler:
		return on && n == TemperatureLow || !on && n == TemperatureHigh
	}
	return false
}

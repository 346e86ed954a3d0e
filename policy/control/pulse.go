package control

import (
	"math"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/guard"
)

// pulse is a run of the humidifier, of the fan, or of both together, in seconds from now; 0: that plug rests.
type pulse struct {
	mist dose
	fan  dose
	lead float64 // by how much the mist goes ahead of the fan

	water float64 // expected at the end of what was looked ahead, as [Observer.Water]
	lost  float64 // share of the chamber's saturated vapor that the fan carries off
}

// dose is a plug's run: its length in seconds, and its share of full output.
type dose struct{ length, level float64 }

// at is what the plug is driven to so many seconds after the run's beginning.
func (d *dose) at(t float64) float64 {
	if t >= 0 && t < d.length {
		return d.level
	}
	return 0
}

// How pulses are sized.
const (
	lookAhead, lookStep = 150.0, 3.0 // s
	lastFor             = 200.0      // seconds for which the end counts on
	// pulseCost is what a run is worth avoiding: as much as ten seconds at three points from the aim.
	pulseCost = 0.01
	runCost   = 0.00007 // of a second, so that of two equal runs the shorter wins
	// fogCost is how much worse than its size the water beyond saturation is: it blinds the sensors and wets the walls.
	fogCost = 1.5
	// longestPulse bounds a run, so that its effect is seen before more follows.
	longestPulse = 3 * time.Minute
)

// The lengths tried, in multiples of the shortest, and how many seconds the mist may go ahead of the fan.
var (
	pulseLengths = [...]float64{1, 1.25, 1.6, 2.1, 2.8, 4}
	mistLeads    = [...]float64{6, 14, 24}
)

// size finds the pulse after which the air stays nearest to its aim, among few; a need of fresh air is met by each.
func (st *State) size(sc *Scene, fan, mist int, n need) pulse {
	k := st.physics(sc, fan, mist)
	fans := dosesOf(sc, fan, n.mayFan, n.air)
	mists := dosesOf(sc, mist, n.mayMist, 0)
	if n.air == 0 {
		fans = append(fans, dose{})
	}
	mists = append(mists, dose{})
	var best pulse
	cheapest := math.Inf(1)
	for _, f := range fans {
		for _, m := range mists {
			for _, lead := range mistLeads {
				p := pulse{mist: m, fan: f}
				both := f.length > 0 && m.length > 0
				if both {
					p.lead = lead
				}
				if c := st.judge(sc, &k, &p, cheapest); c < cheapest {
					best, cheapest = p, c
				}
				if !both {
					break
				}
			}
		}
	}
	if best.mist.length == 0 && best.fan.length == 0 && n.dry && n.mayMist && best.water < sc.Target.RelativeHumidity.Low {
		// The shortest run leads beyond the aim by more than the air lacks, and at rest it would stay below its range: too wet for a
		// while harms a crop less than too dry for good.
		best = pulse{mist: mists[0]}
		st.judge(sc, &k, &best, math.Inf(1))
	}
	return best
}

// spread is the time over which a plug that modulates gives what would be a short pulse at full output.
const spread = time.Minute

// dosesOf gives the runs that a plug may begin now, none shorter than least at full output.
func dosesOf(sc *Scene, i int, may bool, least time.Duration) []dose {
	if i < 0 || !may {
		return nil
	}
	plug := &sc.Spec.Plugs[i]
	shortest := max(plug.MinOn+guard.Slack, least)
	longest := max(shortest, longestPulse)
	if plug.MaxOn > 0 {
		longest = min(longest, plug.MaxOn)
	}
	if !sc.Air.Inside.RelativeHumidity.OK { // nothing to size a run by
		return []dose{dosed(plug, min(shortest, longest).Seconds())}
	}
	doses := make([]dose, 0, 2*len(pulseLengths)+1)
	if plug.Modulates() && least == 0 { // what is less than the shortest run at full output
		first := plug.Least() * shortest.Seconds()
		for _, l := range pulseLengths {
			if l*first < shortest.Seconds() {
				doses = append(doses, dosed(plug, l*first))
			}
		}
	}
	for _, l := range pulseLengths {
		doses = append(doses, dosed(plug, math.Min(l*shortest.Seconds(), longest.Seconds())))
	}
	return doses
}

// dosed is the run that gives as much as so many seconds at full output: spread at the lowest level that will do.
func dosed(plug *chamber.Plug, full float64) dose {
	if !plug.Modulates() {
		return dose{full, 1}
	}
	shortest := (plug.MinOn + guard.Slack).Seconds()
	level := plug.AtLeast(full / max(spread.Seconds(), shortest))
	return dose{max(shortest, full/level), level}
}

// judge says how far from its aim a pulse leads the air, squared, over the time looked ahead; or infinity once that is no
// less than cheapest.
func (st *State) judge(sc *Scene, k *physics, p *pulse, cheapest float64) float64 {
	o := st.Seen
	aim := sc.Target.RelativeHumidity.Aim
	cost, off := 0.0, 0.0
	for t := 0.0; t < lookAhead; t += lookStep {
		mid := t + lookStep/2
		o.step(k, p.mist.at(mid), p.fan.at(mid-p.lead), lookStep)
		p.lost += k.flow * o.Fan * (o.Water - k.roomW) * lookStep
		off = math.Min(o.Water, 1) - aim + fogCost*math.Max(0, o.Water-1)
		cost += off * off * lookStep
		if cost >= cheapest {
			return math.Inf(1)
		}
	}
	p.water = o.Water
	cost += off*off*lastFor + runCost*(p.fan.length*p.fan.level+p.mist.length*p.mist.level)
	if p.fan.length > 0 {
		cost += pulseCost * st.FanWear.Factor()
	}
	if p.mist.length > 0 {
		cost += pulseCost * st.MistWear.Factor()
	}
	return cost
}

// grams is the vapor that the pulse's fan carries off.
func (p *pulse) grams(sc *Scene) float64 {
	return math.Max(0, p.lost) * vaporDensity(chamberT(sc), 1) * sc.Spec.VolumeM3
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// edge is the last moment at which a plug may have changed.
func edge(p *guard.Plug) time.Time {
	if p.TurnedAt.After(p.ChangedAt) {
		return p.TurnedAt
	}
	return p.ChangedAt
}

// restsUntil is when a plug's minimum off time is over.
func restsUntil(sc *Scene, i int) time.Time {
	return edge(&sc.Plugs[i]).Add(sc.Spec.Plugs[i].MinOff + guard.Slack)
}

// ready reports whether a pulse begun now begins now: the plug is off, in nobody's hand, its minimum off time over.
func ready(sc *Scene, i int) bool {
	p := &sc.Plugs[i]
	return p.Known && !p.On && !(p.HasTold && p.Told) && !p.Hand.Active && !sc.Now.Before(restsUntil(sc, i))
}

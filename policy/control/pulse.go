package control

import (
	"math"
	"time"

	"gillkeeper/policy/guard"
)

// pulse is a run of the humidifier, of the fan, or of both together, in seconds from now; 0: that plug rests.
type pulse struct {
	mist float64
	fan  float64
	lead float64 // by how much the mist goes ahead of the fan

	water float64 // expected at the end of what was looked ahead, as [Observer.Water]
	lost  float64 // share of the chamber's saturated vapor that the fan carries off
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
	fans := lengthsOf(sc, fan, n.mayFan, n.air)
	mists := lengthsOf(sc, mist, n.mayMist, 0)
	if n.air == 0 {
		fans = append(fans, 0)
	}
	mists = append(mists, 0)
	var best pulse
	cheapest := math.Inf(1)
	for _, f := range fans {
		for _, m := range mists {
			for _, lead := range mistLeads {
				p := pulse{mist: m, fan: f}
				both := f > 0 && m > 0
				if both {
					p.lead = lead
				}
				if c := st.judge(sc, &k, &p); c < cheapest {
					best, cheapest = p, c
				}
				if !both {
					break
				}
			}
		}
	}
	return best
}

// lengthsOf gives the runs in seconds that a plug may begin now, none shorter than least.
func lengthsOf(sc *Scene, i int, may bool, least time.Duration) []float64 {
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
		return []float64{min(shortest, longest).Seconds()}
	}
	runs := make([]float64, 0, len(pulseLengths)+1)
	for _, l := range pulseLengths {
		runs = append(runs, math.Min(l*shortest.Seconds(), longest.Seconds()))
	}
	return runs
}

// judge says how far from its aim a pulse leads the air, squared, over the time looked ahead.
func (st *State) judge(sc *Scene, k *physics, p *pulse) float64 {
	o := st.Seen
	aim := sc.Target.RelativeHumidity.Aim
	cost, off := 0.0, 0.0
	for t := 0.0; t < lookAhead; t += lookStep {
		mid := t + lookStep/2
		o.step(k, mid < p.mist, mid >= p.lead && mid < p.lead+p.fan, lookStep)
		p.lost += k.flow * o.Fan * (o.Water - k.roomW) * lookStep
		off = math.Min(o.Water, 1) - aim + fogCost*math.Max(0, o.Water-1)
		cost += off * off * lookStep
	}
	p.water = o.Water
	cost += off*off*lastFor + runCost*(p.fan+p.mist)
	if p.fan > 0 {
		cost += pulseCost
	}
	if p.mist > 0 {
		cost += pulseCost
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

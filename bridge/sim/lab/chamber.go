package lab

import (
	"fmt"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// chamberCase is one drawn chamber: that of the family with the same seed, with what else a grower may have.
type chamberCase struct {
	*rehearse.Case
	policy  *policy.Policy
	metered bool
	mute    bool // its plugs say nothing of their state
	sparse  bool // its sensors report when what they measure has moved, and else hardly ever
}

// gather is how often messages are handed over, as a gateway does: it halves the work of a simulated day.
const gather = 8 * time.Second

// draw makes the chamber of a seed. Odd seeds fruit, even ones pin; half meter power; a third have a third pair of
// sensors, which hangs warmer; a third have a heater; one in six measures nothing in the room. A third have sensors that
// follow within seconds, and another third such as need minutes. From anyRoom on, half stand in a room of any temperature, a
// third have one pair of sensors only, and half measure nothing in the room. From mutePlugs on, a third have plugs that do not say
// whether they are on; from sparseSensors on, half have sensors that report on change; from lookedInto on, people look in twice a day.
func draw(seed uint64, o *Plan) (*chamberCase, error) {
	stage := species.Pinning
	if seed%2 == 1 {
		stage = species.Fruiting
	}
	c := &chamberCase{Case: rehearse.FamilyCase(seed, stage)}
	n := plant.Noise{State: seed*0x9e3779b97f4a7c15 + 0x5be0cd19137e2179}
	c.metered = n.Uniform(0, 1) < 0.5
	third, heater, bare := n.Uniform(0, 1) < 0.34, n.Uniform(0, 1) < 0.34, n.Uniform(0, 1) < 0.17
	spec := *c.Spec
	c.Spec = &spec
	for i := range spec.Plugs {
		spec.Plugs[i].Meters, c.Outlets[i].Meters = c.metered, c.metered
	}
	for i := range spec.Sensors { // the family's come in pairs of humidity and temperature
		spec.Sensors[i].Device = fmt.Sprintf("%s-%d", spec.Sensors[i].Place, i/2)
	}
	if third {
		c.addSensors(&n)
	}
	if heater {
		spec.Plugs = append(spec.Plugs, chamber.Plug{Name: "heater", Role: chamber.Heater, Reports: true, Meters: c.metered,
			MinOn: 30 * time.Second, MinOff: 30 * time.Second, MaxOn: time.Hour})
		c.Outlets = append(c.Outlets, plant.OutletSpec{Role: chamber.Heater, DelayS: 0.5, Reports: true, Meters: c.metered, MeterS: 20,
			Standby: 0.3, MinOnS: 30, MinOffS: 30})
	}
	c.pace(&n)
	heated := true
	if seed >= anyRoom {
		heated = n.Uniform(0, 1) < 0.5
		bare = bare || n.Uniform(0, 1) < 0.4
		if n.Uniform(0, 1) < 0.34 {
			c.KeepFirstSensors()
		}
		if !heated {
			c.AnyRoom(&n)
		}
	}
	if bare {
		c.DropRoom()
	}
	if seed >= mutePlugs && n.Uniform(0, 1) < 0.34 {
		c.muteThem()
	}
	if seed >= sparseSensors && n.Uniform(0, 1) < 0.5 {
		c.thinOut()
	}
	if seed >= lookedInto {
		c.lookIn(&n)
	}
	var rows []species.Override
	for _, s := range []species.Stage{species.Pinning, species.Fruiting} {
		w := rehearse.FamilyTarget(s)
		if !heated { // a grower chooses what grows there
			w.TemperatureC = chamber.Band{Low: c.Weather.AirC - 5, Aim: c.Weather.AirC, High: c.Weather.AirC + 5}
		}
		rows = append(rows, species.Override{Species: "pleurotus-ostreatus", Stage: s, CO2MaxPPM: new(w.CO2MaxPPM),
			RelativeHumidity: species.Range{Low: w.RelativeHumidity.Low, High: w.RelativeHumidity.High},
			TemperatureC:     species.Range{Low: w.TemperatureC.Low, High: w.TemperatureC.High}})
	}
	table, err := species.Builtin().With(rows)
	if err != nil {
		return nil, fmt.Errorf("lab: climate of seed %d: %w", seed, err)
	}
	c.policy = &policy.Policy{Spec: c.Spec, Climates: table, Rules: o.Rules}
	c.Actions = []policy.Action{{ID: "lab", Kind: policy.BatchAdd, Batch: "lab", Species: "pleurotus-ostreatus", Stage: stage,
		SubstrateKg: c.Params.SubstrateKg, DryKg: c.Params.SubstrateKg * 0.35}}
	c.Settle, c.Gather = settle, gather
	c.fillInTime()
	return c, nil
}

// fillInTime has the grower fill up every morning, or every morning and evening where the humidifier could run the reservoir
// dry in a day and a half of running half the time. Such a grower wants to hear of low water when it will not last till then.
func (c *chamberCase) fillInTime() {
	if c.Params.ReservoirG < 18*c.Params.MistGPerH {
		c.RefillEvery = 12 * time.Hour
	}
	mist := &c.Spec.Plugs[c.Spec.Plug(chamber.Humidifier)]
	mist.WarnBefore = warnBefore
}

// warnBefore is what the growers of the laboratory set warn_before to.
const warnBefore = 8 * time.Hour

// addSensors hangs a third pair of sensors, up to 1.5 K warmer than the others.
func (c *chamberCase) addSensors(n *plant.Noise) {
	warmer := n.Uniform(0, 1.5)
	for i := range 2 {
		s, x := c.Sensors[i], c.Spec.Sensors[i]
		s.WarmerK, s.OffsetS, s.Bias = warmer, s.OffsetS+3, 0.5*s.Bias
		x.Name, x.Device = fmt.Sprintf("top-%s", x.Quantity), "top"
		c.Sensors, c.Spec.Sensors = append(c.Sensors, s), append(c.Spec.Sensors[:len(c.Spec.Sensors):len(c.Spec.Sensors)], x)
	}
}

// pace draws how fast the chamber's sensors follow: bare ones in moving air within seconds, those in a closed housing within
// minutes; a third are as in the family.
func (c *chamberCase) pace(n *plant.Noise) {
	speed, of := n.Uniform(0, 3), n.Uniform(0, 1)
	for i := range c.Sensors {
		s := &c.Sensors[i]
		quick, slow := 4+16*of, 60+100*of
		if s.Quantity == chamber.CO2 {
			quick, slow = 15+30*of, 90+100*of
		}
		switch {
		case speed < 1:
			s.LagS = quick
		case speed < 2:
			s.LagS = slow
		}
	}
}

// anyRoom is the seed from which on chambers differ more: those below are as they were when faults were found in them and mended,
// so that these can be shown again.
const anyRoom = 100_000

// mutePlugs is the seed from which on there are plugs that say nothing of their state; those below are as they were, for the same
// reason.
const mutePlugs = 800_000

// muteThem takes the word of every plug away; what meters power still does.
func (c *chamberCase) muteThem() {
	c.mute = true
	for i := range c.Spec.Plugs {
		c.Spec.Plugs[i].Reports, c.Outlets[i].Reports = false, false
	}
}

// sparseSensors is the seed from which on there are sensors that report on change; those below are as they were, for the same
// reason.
const sparseSensors = 900_000

// thinOut has every sensor report when what it measures has moved by a step, and every quarter of an hour.
func (c *chamberCase) thinOut() {
	c.sparse = true
	for i := range c.Sensors {
		s := &c.Sensors[i]
		s.EveryS, s.GapS = 900, 10
		switch s.Quantity {
		case chamber.RelativeHumidity:
			s.Change, s.Noise = 0.005, min(s.Noise, 0.0015)
		case chamber.Temperature:
			s.Change = 0.1
		case chamber.CO2:
			s.Change, s.Noise = 25, min(s.Noise, 6)
		}
		c.Spec.Sensors[i].MaxAge = 20 * time.Minute
	}
}

// lookedInto is the seed from which on somebody looks into the chamber; nobody does in those below, for the same reason.
const lookedInto = 1_000_000

// lookedDays is for how many days somebody does: for longer than any trial takes.
const lookedDays = 40

// lookIn has somebody open the door every morning and evening, for half a minute to five minutes, more or less wide.
func (c *chamberCase) lookIn(n *plant.Noise) {
	for day := range lookedDays {
		for _, hour := range []float64{7.5, 19} {
			at := (24*float64(day) + hour + n.Uniform(-1, 1)) * 3600
			c.Faults = append(c.Faults, plant.Fault{Kind: plant.DoorOpen, From: at, For: n.Uniform(30, 300), Amount: n.Uniform(0.3, 1)})
		}
	}
}

// sensor gives the index of the n-th sensor of a quantity in the chamber, or -1.
func (c *chamberCase) sensor(q chamber.Quantity, n int) int {
	for i := range c.Spec.Sensors {
		if s := &c.Spec.Sensors[i]; s.Quantity == q && s.Place == chamber.Inside {
			if n == 0 {
				return i
			}
			n--
		}
	}
	return -1
}

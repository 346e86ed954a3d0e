package main

import (
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"gillkeeper/bridge/config"
	"gillkeeper/policy"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// demoConfig is the demonstration's configuration; to be filled in are the journal and the page's address. The three chambers show
// different crops, ways to speak and plugs: a shelf tent whose mister meters its power and has a small reservoir, a
// cool cabinet whose mister times itself, and a larger tent that two batches share.
const demoConfig = `
[site]
name = "Demonstration"
timezone = "UTC"

[broker]
url = "embedded"

[broker.embedded]
listen = "127.0.0.1:0"

[journal]
path = %q

[http]
listen = %q

[[chamber]]
name = "loft"
volume_m3 = 0.56

  [[chamber.sensor]]
  name = "upper-humidity"
  quantity = "relative_humidity"
  topic = "loft/air/upper"
  pointer = "/humidity"

  [[chamber.sensor]]
  name = "upper-temperature"
  quantity = "temperature"
  topic = "loft/air/upper"
  pointer = "/temperature"

  [[chamber.sensor]]
  name = "lower-humidity"
  quantity = "relative_humidity"
  topic = "loft/air/lower"
  pointer = "/humidity"

  [[chamber.sensor]]
  quantity = "co2"
  topic = "loft/co2"

  [[chamber.sensor]]
  quantity = "co2"
  place = "room"
  topic = "room/co2"

  [[chamber.plug]]
  role = "humidifier"
  name = "mister"
  command_topic = "loft/mister/set"
  state_topic = "loft/mister"
  state_pointer = "/state"
  power_topic = "loft/mister"
  power_pointer = "/power"
  output_g_per_h = 160
  min_on = "10s"
  reservoir_liters = 0.5

  [[chamber.plug]]
  role = "exhaust_fan"
  name = "fan"
  command_topic = "loft/fan/set"
  state_topic = "loft/fan"
  state_pointer = "/state"
  power_topic = "loft/fan"
  power_pointer = "/power"
  flow_m3_per_h = 25
  min_on = "10s"

  [[chamber.plug]]
  role = "lamp"
  command_topic = "loft/lamp/set"
  state_topic = "loft/lamp"

[[chamber]]
name = "cellar"
volume_m3 = 0.4

  [[chamber.sensor]]
  quantity = "relative_humidity"
  topic = "cellar/climate"
  senml_name = "cellar/rh"

  [[chamber.sensor]]
  quantity = "temperature"
  topic = "cellar/climate"
  senml_name = "cellar/t"

  [[chamber.sensor]]
  quantity = "co2"
  topic = "cellar/climate"
  senml_name = "cellar/co2"

  [[chamber.plug]]
  role = "humidifier"
  name = "mister"
  command_topic = "cellar/mister/do"
  timed_on_payload = "on for {seconds}"
  state_topic = "cellar/mister/is"
  output_g_per_h = 120
  min_on = "10s"
  reservoir_liters = 4

  [[chamber.plug]]
  role = "exhaust_fan"
  name = "fan"
  command_topic = "cellar/fan/do"
  state_topic = "cellar/fan/is"
  flow_m3_per_h = 20
  min_on = "10s"

  [[chamber.plug]]
  role = "lamp"
  command_topic = "cellar/lamp/do"
  state_topic = "cellar/lamp/is"

[[chamber]]
name = "rack"
volume_m3 = 1.2

  [[chamber.sensor]]
  quantity = "relative_humidity"
  topic = "rack/rh"

  [[chamber.sensor]]
  quantity = "temperature"
  topic = "rack/t"
  unit = "fahrenheit"

  [[chamber.sensor]]
  quantity = "co2"
  topic = "rack/co2"

  [[chamber.plug]]
  role = "humidifier"
  name = "mister"
  command_topic = "rack/mister/set"
  on_payload = "1"
  off_payload = "0"
  state_topic = "rack/mister"
  output_g_per_h = 330
  min_on = "10s"
  reservoir_liters = 8

  [[chamber.plug]]
  role = "exhaust_fan"
  name = "fan"
  command_topic = "rack/fan/set"
  on_payload = "1"
  off_payload = "0"
  state_topic = "rack/fan"
  flow_m3_per_h = 50
  min_on = "10s"
`

// demoBatches is what grows in each chamber.
var demoBatches = map[string][]policy.Action{
	"loft":   {{Batch: "oyster-7", Species: "pleurotus-ostreatus", SubstrateKg: 12, DryKg: 4.2, Stage: species.Fruiting}},
	"cellar": {{Batch: "hericium-3", Species: "hericium-erinaceus", SubstrateKg: 7, DryKg: 2.6, Stage: species.Pinning}},
	"rack": {
		{Batch: "shiitake-2", Species: "lentinula-edodes", SubstrateKg: 12, DryKg: 4.8, Stage: species.Fruiting},
		{Batch: "king-5", Species: "pleurotus-eryngii", SubstrateKg: 8, DryKg: 2.9, Stage: species.Fruiting},
	},
}

// demoWater is what a reservoir holds in liters at the start, where it is not full: the loft's runs dry during the day.
var demoWater = map[string]float64{"loft": 0.15}

// demoStart is the hour of the simulated day at which the demonstration begins.
const demoStart = 6

// demoRooms are the rooms that the chambers stand in: loft and rack share one, the cellar is cool.
func demoRooms(seed uint64) map[string]plant.Weather {
	room := plant.Weather{Seed: seed*2 + 1, AirC: 17.5, DailyK: 0.8, SlowK: 0.3, Humidity: 0.38, SlowShare: 0.05, CO2PPM: 480,
		VisitPPM: 250, CO2MaxPPM: 900, StartHour: demoStart, MixingHour: 1.2}
	cellar := plant.Weather{Seed: seed*2 + 2, AirC: 12.5, DailyK: 0.3, SlowK: 0.2, Humidity: 0.55, SlowShare: 0.03, CO2PPM: 440,
		VisitPPM: 60, CO2MaxPPM: 700, StartHour: demoStart, MixingHour: 1.5}
	return map[string]plant.Weather{"loft": room, "rack": room, "cellar": cellar}
}

// readDemoConfig makes the configuration, with a journal in the given folder and the page at the given address. Its
// calendar shows the hour of [demoStart] at the given moment, so that a seed meets the same daylight whenever it is run.
func readDemoConfig(folder, listen string, start time.Time) (*config.Config, error) {
	text := fmt.Sprintf(demoConfig, filepath.Join(folder, "demo.db"), listen)
	c, _, err := config.Parse("demo", []byte(text), config.Env{Dir: folder})
	if err != nil {
		_, fault, _ := strings.Cut(err.Error(), "http.listen: ") // the address alone is not the demo's own
		return nil, usagef("--listen %s: it %s", listen, fault)
	}
	_, month, day := start.UTC().Date()
	morning := time.Date(start.UTC().Year(), month, day, demoStart, 0, 0, 0, time.UTC)
	c.Site.Zone = time.FixedZone("", int(morning.Sub(start)/time.Second))
	for i := range c.Chambers {
		c.Chambers[i].Spec.Zone = c.Site.Zone
	}
	return c, nil
}

// demoCase is one chamber as it is simulated.
func demoCase(c *config.Config, index int, seed uint64, start time.Time, settle time.Duration) (*rehearse.Case, []policy.Action, error) {
	spec := c.Chambers[index].Spec
	var load rehearse.Load
	var batches []policy.Action
	for _, b := range demoBatches[spec.Name] {
		b.ID, b.Kind, b.At, b.By = "demo-"+b.Batch, policy.BatchAdd, start, "demonstration"
		batches = append(batches, b)
		load.SubstrateKg += b.SubstrateKg
		load.Stage = b.Stage
	}
	target, err := targetOf(&policy.Policy{Spec: spec, Climates: c.Table}, start, batches...)
	if err != nil {
		return nil, nil, err
	}
	k := rehearse.ForSpec(spec, load, target, seed+uint64(index))
	k.Weather = demoRooms(seed)[spec.Name]
	k.Params.StartHour = demoStart
	k.Params.OpenAreaM2 *= 0.4 // blocks in bags that are slit, which give off less than bare ones
	k.Start, k.For, k.Settle, k.RefillEvery = start, 24*time.Hour, settle, 0
	k.Actions = batches
	return k, batches, nil
}

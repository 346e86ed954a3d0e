package lab

import (
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/plant"
)

// Kind is one way in which something goes wrong: what is done to the chamber, its messages or the program, and which
// alarm is to name it.
type Kind struct {
	Name string
	Says string
	// Alarm names it when Expect is one of them; none: it must pass without any alarm of a fault.
	Expect []alarm.Name
	// For is how long it lasts, and so how much time there is to find it.
	For time.Duration
	// Bears are the alarms that may be raised besides, as its consequences.
	Bears []alarm.Name
	// plant gives what to do to the chamber, at so many seconds after the start; nil: nothing, it is the program's.
	plant func(c *chamberCase, at, length float64) []plant.Fault
	// fits reports whether the chamber has what can fail so; nil: every one has.
	fits func(c *chamberCase) bool
	// by names the program's own troubles.
	by trouble
}

// trouble is what happens to the program, not to the chamber.
type trouble uint8

const (
	noTrouble trouble = iota
	diskFull
	killed       // dead for some minutes, then started from what it had saved
	clockBack    // the wall clock an hour back, and later forward again
	clockForward // the same the other way
	handAtPlug   // somebody switches a plug at its button
)

// climate are the alarms that follow from a climate that cannot be held.
var climate = []alarm.Name{alarm.HumidityLow, alarm.HumidityHigh, alarm.CO2High, alarm.TemperatureLow, alarm.TemperatureHigh}

func bears(names ...alarm.Name) []alarm.Name { return append(names, climate...) }

// sensor gives a fault of the n-th sensor of a quantity in the chamber.
func sensor(kind plant.FaultKind, q chamber.Quantity, n int, amount float64) func(c *chamberCase, at, length float64) []plant.Fault {
	return func(c *chamberCase, at, length float64) []plant.Fault {
		return []plant.Fault{{Kind: kind, From: at, For: length, Index: c.sensor(q, n), Amount: amount}}
	}
}

func plug(kind plant.FaultKind, r chamber.Role) func(c *chamberCase, at, length float64) []plant.Fault {
	return func(c *chamberCase, at, length float64) []plant.Fault {
		return []plant.Fault{{Kind: kind, From: at, For: length, Index: c.Spec.Plug(r)}}
	}
}

func whole(kind plant.FaultKind, amount float64) func(c *chamberCase, at, length float64) []plant.Fault {
	return func(c *chamberCase, at, length float64) []plant.Fault {
		return []plant.Fault{{Kind: kind, From: at, For: length, Amount: amount}}
	}
}

func metered(c *chamberCase) bool   { return c.metered }
func unmetered(c *chamberCase) bool { return !c.metered }
func reports(c *chamberCase) bool   { return !c.mute }
func heated(c *chamberCase) bool    { return reports(c) && c.Spec.Plug(chamber.Heater) >= 0 }
func roomCO2(c *chamberCase) bool   { return c.Spec.Has(chamber.CO2, chamber.Room) }
func noRoomCO2(c *chamberCase) bool { return !roomCO2(c) }
func three(c *chamberCase) bool     { return c.sensor(chamber.RelativeHumidity, 2) >= 0 }
func two(c *chamberCase) bool       { return c.sensor(chamber.RelativeHumidity, 1) >= 0 }
func onlyTwo(c *chamberCase) bool   { return two(c) && !three(c) }

// blind is what a missing or distrusted sensor leads to.
var blind = []alarm.Name{alarm.FallbackActive, alarm.SensorSilent, alarm.SensorStuck, alarm.SensorDisagrees}

// highRoom is a room of which a sensor's own baseline takes something off.
func highRoom(c *chamberCase) bool { return roomCO2(c) && c.Weather.CO2PPM > 540 }

// SlowKinds lists the faults that take days to show, and a rare one; they are thrown only where they are asked for.
func SlowKinds() []Kind {
	const day = 24 * time.Hour
	return []Kind{
		{Name: "filter_clogs", Says: "the filter loses 4 % of its flow a day", Expect: []alarm.Name{alarm.FilterClogged}, For: 12 * day,
			Bears: climate, plant: whole(plant.FilterClogged, 0.04), fits: roomCO2},
		{Name: "filter_clogs_blind", Says: "the same, the room's CO2 not measured", Expect: []alarm.Name{alarm.FilterClogged}, For: 12 * day,
			Bears: climate, plant: whole(plant.FilterClogged, 0.04), fits: noRoomCO2},
		{Name: "mister_scaled", Says: "the disc gives four tenths of its mist", Expect: []alarm.Name{alarm.HumidifierWeak}, For: 5 * day,
			Bears: climate, plant: whole(plant.MisterScaled, 0.4)},
		{Name: "mister_cracked", Says: "the disc gives nothing, but draws its power", Expect: []alarm.Name{alarm.ReservoirDry}, For: day / 2,
			Bears: bears(alarm.ReservoirLow, alarm.HumidifierWeak), plant: whole(plant.MisterScaled, 0), fits: metered},
		{Name: "co2_baseline", Says: "the CO2 sensor re-zeroes itself", Expect: []alarm.Name{alarm.SensorDisagrees}, For: 4 * day,
			Bears: bears(blind...), plant: sensor(plant.SensorBaseline, chamber.CO2, 0, 300), fits: highRoom},
	}
}

// Kinds lists the faults that show within hours, thrown alone and in pairs, in the order of the report.
func Kinds() []Kind {
	rh, co2, airC := chamber.RelativeHumidity, chamber.CO2, chamber.Temperature
	dry := []alarm.Name{alarm.ReservoirDry}
	disobeys, failed := []alarm.Name{alarm.PlugDisobeys}, []alarm.Name{alarm.FanFailed}
	silent, stuck, apart := []alarm.Name{alarm.SensorSilent}, []alarm.Name{alarm.SensorStuck}, []alarm.Name{alarm.SensorDisagrees}
	off := []alarm.Name{alarm.SensorStuck, alarm.SensorDisagrees}
	const h = time.Hour
	return []Kind{
		{Name: "dry_metered", Says: "reservoir empty, the plug meters", Expect: dry, For: 12 * h, Bears: bears(alarm.ReservoirLow), plant: whole(plant.ReservoirDry, 0), fits: metered},
		{Name: "dry_unmetered", Says: "reservoir empty, no meter", Expect: dry, For: 12 * h, Bears: bears(alarm.ReservoirLow, alarm.HumidifierWeak), plant: whole(plant.ReservoirDry, 0), fits: unmetered},
		{Name: "mister_dead", Says: "the humidifier is dead", Expect: dry, For: 12 * h, Bears: bears(alarm.ReservoirLow, alarm.HumidifierWeak), plant: plug(plant.LoadDead, chamber.Humidifier)},
		{Name: "fan_dead", Says: "the fan draws no power, metered", Expect: failed, For: 12 * h, Bears: climate, plant: plug(plant.LoadDead, chamber.ExhaustFan), fits: metered},
		{Name: "fan_blocked", Says: "the fan turns and moves no air", Expect: failed, For: 12 * h, Bears: bears(alarm.FilterClogged), plant: whole(plant.FanBlocked, 0)},
		{Name: "mister_welded", Says: "the humidifier's plug stuck on", Expect: disobeys, For: 4 * h, Bears: bears(alarm.ReservoirLow, alarm.SensorStuck, alarm.ReservoirDry), plant: plug(plant.PlugWelded, chamber.Humidifier), fits: reports},
		{Name: "fan_welded", Says: "the fan's plug stuck on", Expect: disobeys, For: 4 * h, Bears: bears(alarm.ReservoirLow), plant: plug(plant.PlugWelded, chamber.ExhaustFan), fits: reports},
		{Name: "heater_welded", Says: "the heater does not stop", Expect: disobeys, For: 4 * h, Bears: climate, plant: plug(plant.PlugWelded, chamber.Heater), fits: heated},
		{Name: "mister_disobeys", Says: "the humidifier's plug ignores commands", Expect: disobeys, For: 6 * h, Bears: bears(alarm.ReservoirLow), plant: plug(plant.PlugDisobeys, chamber.Humidifier), fits: reports},
		{Name: "fan_disobeys", Says: "the fan's plug ignores commands", Expect: disobeys, For: 6 * h, Bears: climate, plant: plug(plant.PlugDisobeys, chamber.ExhaustFan), fits: reports},
		{Name: "plug_mute", Says: "the humidifier's plug lost its power", Expect: []alarm.Name{alarm.PlugDisobeys, alarm.ReservoirDry}, For: 6 * h, Bears: bears(alarm.ReservoirLow), plant: plug(plant.PlugDead, chamber.Humidifier), fits: reports},
		{Name: "rh_silent", Says: "a humidity sensor silent", Expect: silent, For: 2 * h, Bears: bears(blind...), plant: sensor(plant.SensorSilent, rh, 0, 0)},
		{Name: "co2_silent", Says: "the CO2 sensor silent", Expect: silent, For: 2 * h, Bears: bears(blind...), plant: sensor(plant.SensorSilent, co2, 0, 0)},
		{Name: "rh_stuck", Says: "a humidity sensor repeats itself", Expect: off, For: 8 * h, Bears: bears(blind...), plant: sensor(plant.SensorStuck, rh, 0, 0)},
		{Name: "co2_stuck", Says: "the CO2 sensor repeats itself", Expect: stuck, For: 8 * h, Bears: bears(append(blind, alarm.FanFailed)...), plant: sensor(plant.SensorStuck, co2, 0, 0)},
		{Name: "rh_saturated", Says: "a humidity sensor stands at 99.9 %", Expect: off, For: 8 * h, Bears: bears(blind...), plant: sensor(plant.SensorSaturated, rh, 0, 0)},
		{Name: "rh_jump", Says: "a humidity sensor jumps 12 points down", Expect: apart, For: 8 * h, Bears: bears(blind...), plant: sensor(plant.SensorJump, rh, 0, -0.12)},
		{Name: "temperature_jump", Says: "a thermometer jumps 4 K up", Expect: apart, For: 8 * h, Bears: bears(blind...), plant: sensor(plant.SensorJump, airC, 0, 4)},
		{Name: "co2_jump", Says: "the CO2 sensor jumps 600 ppm up", Expect: apart, For: 8 * h, Bears: bears(blind...), plant: sensor(plant.SensorJump, co2, 0, 600)},
		{Name: "rh_drift", Says: "one humidity sensor of three drifts 2 points an hour", Expect: apart, For: 10 * h, Bears: bears(blind...), plant: sensor(plant.SensorDrift, rh, 0, -0.02), fits: three},
		{Name: "rh_drift_two", Says: "one humidity sensor of two drifts 2 points an hour", Expect: apart, For: 10 * h, Bears: bears(blind...), plant: sensor(plant.SensorDrift, rh, 0, -0.02), fits: onlyTwo},
		{Name: "door_open", Says: "the door left open", Expect: []alarm.Name{alarm.ChamberOpen}, For: 90 * time.Minute, Bears: climate, plant: whole(plant.DoorOpen, 1)},
		{Name: "room_co2", Says: "12,000 ppm in the room", Expect: []alarm.Name{alarm.RoomCO2Unsafe}, For: 8 * h, Bears: climate, plant: whole(plant.RoomCO2, 12_000), fits: roomCO2},
		{Name: "link_down", Says: "the broker gone for 40 minutes", Expect: []alarm.Name{alarm.BrokerLost}, For: 40 * time.Minute, Bears: climate, plant: whole(plant.LinkDown, 0)},
		{Name: "disk_full", Says: "the journal cannot be written", Expect: []alarm.Name{alarm.JournalFailing}, For: h, by: diskFull},
		{Name: "messages_lost", Says: "three messages in ten lost", For: 4 * h, Bears: []alarm.Name{alarm.PlugDisobeys, alarm.SensorSilent}, plant: whole(plant.MessagesLost, 0.3)},
		{Name: "messages_late", Says: "messages 20 s late", For: 4 * h, plant: whole(plant.MessagesLate, 20)},
		{Name: "messages_doubled", Says: "every other message twice", For: 4 * h, plant: whole(plant.MessagesDoubled, 0.5)},
		// The last word of a plug may be what it did before: it is then taken for a hand at it, and does nothing of what is told.
		{Name: "messages_mixed", Says: "messages up to 30 s late, out of order", For: 4 * h, Bears: []alarm.Name{alarm.PlugDisobeys, alarm.FanFailed}, plant: whole(plant.MessagesMixed, 30)},
		{Name: "killed", Says: "the program killed for 10 minutes", For: 10 * time.Minute, by: killed},
		{Name: "clock_back", Says: "the wall clock an hour back", For: 2 * h, by: clockBack},
		{Name: "clock_forward", Says: "the wall clock an hour ahead", For: 2 * h, by: clockForward},
		{Name: "hand_at_plug", Says: "the fan switched at its button", For: 20 * time.Minute, Bears: climate, by: handAtPlug, fits: reports},
	}
}

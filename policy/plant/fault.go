package plant

import (
	"fmt"
	"math"
)

// FaultKind names what goes wrong. [FaultKinds] lists them all.
type FaultKind string

// The kinds of faults. The comment says what Amount means; where it says nothing, it is not used.
const (
	// Of a sensor.
	SensorSilent    FaultKind = "sensor_silent"    // sends nothing
	SensorStuck     FaultKind = "sensor_stuck"     // repeats its last value
	SensorSaturated FaultKind = "sensor_saturated" // stands at the end of its range: 99.9 %
	SensorDrift     FaultKind = "sensor_drift"     // Amount: in the quantity's unit, per hour
	SensorJump      FaultKind = "sensor_jump"      // Amount: in the quantity's unit
	SensorBaseline  FaultKind = "sensor_baseline"  // CO2: takes the lowest value of each 12 h for 400 ppm; Amount: ppm at most a time, 0: 30

	// Of a plug and what hangs on it.
	PlugWelded   FaultKind = "plug_welded"   // on, whatever it is told, and its meter shows it
	PlugDead     FaultKind = "plug_dead"     // off and mute
	PlugDisobeys FaultKind = "plug_disobeys" // hears, does nothing, and reports what it is
	LoadDead     FaultKind = "load_dead"     // the plug switches, what hangs on it does nothing: no power, no effect

	// Of the chamber.
	ReservoirDry  FaultKind = "reservoir_dry"  // empty from the start of the fault; refilled at its end
	MisterScaled  FaultKind = "mister_scaled"  // Amount: share of the output that is left
	FilterClogged FaultKind = "filter_clogged" // Amount: share of the clean flow that is lost a day
	DoorOpen      FaultKind = "door_open"      // Amount: how wide, 0..1; 0 counts as wide open
	FanBlocked    FaultKind = "fan_blocked"    // the exhaust fan turns and draws its power, but moves no air
	RoomCO2       FaultKind = "room_co2"       // Amount: ppm that another source adds to the room's air

	// Of the messages; these have no effect on the chamber, only on what is heard of it.
	MessagesLost    FaultKind = "messages_lost"    // Amount: share of them
	MessagesLate    FaultKind = "messages_late"    // Amount: seconds
	MessagesDoubled FaultKind = "messages_doubled" // Amount: share of them
	MessagesMixed   FaultKind = "messages_mixed"   // Amount: seconds at most by which each is late, so that they overtake each other
	LinkDown        FaultKind = "link_down"        // nothing comes and nothing goes
)

// FaultKinds lists every kind of fault, by what they strike.
func FaultKinds() []FaultKind {
	return []FaultKind{
		SensorSilent, SensorStuck, SensorSaturated, SensorDrift, SensorJump, SensorBaseline,
		PlugWelded, PlugDead, PlugDisobeys, LoadDead,
		ReservoirDry, MisterScaled, FilterClogged, FanBlocked, DoorOpen, RoomCO2,
		MessagesLost, MessagesLate, MessagesDoubled, MessagesMixed, LinkDown,
	}
}

// Fault is one thing that goes wrong for a time.
type Fault struct {
	Kind   FaultKind `json:"kind"`
	From   float64   `json:"from"`             // seconds after the start
	For    float64   `json:"for"`              // seconds; 0: for ever
	Index  int       `json:"index"`            // of the sensor or plug; of the chamber's and messages' faults not used
	Amount float64   `json:"amount,omitempty"` // see the kinds
}

// Active reports whether the fault holds at that many seconds after the start.
func (f *Fault) Active(at float64) bool { return at >= f.From && (f.For <= 0 || at < f.From+f.For) }

// Check reports a fault that names a sensor or plug that is not there, or an unknown kind.
func (f *Fault) Check(sensors, plugs int) error {
	switch f.Kind {
	case SensorSilent, SensorStuck, SensorSaturated, SensorDrift, SensorJump, SensorBaseline:
		if f.Index < 0 || f.Index >= sensors {
			return fmt.Errorf("plant: fault %s names sensor %d; there are %d", f.Kind, f.Index, sensors)
		}
	case PlugWelded, PlugDead, PlugDisobeys, LoadDead:
		if f.Index < 0 || f.Index >= plugs {
			return fmt.Errorf("plant: fault %s names plug %d; there are %d", f.Kind, f.Index, plugs)
		}
	case ReservoirDry, MisterScaled, FilterClogged, DoorOpen, FanBlocked, RoomCO2,
		MessagesLost, MessagesLate, MessagesDoubled, MessagesMixed, LinkDown:
	default:
		return fmt.Errorf("plant: fault %q is unknown; see the kinds of faults", f.Kind)
	}
	return nil
}

// amounts says what Amount may be of the kinds that use it; of those where it must not be 0, nothing goes wrong with 0.
var amounts = map[FaultKind]struct {
	least, most float64
	must        bool
	unit        string
}{
	SensorDrift:     {-100_000, 100_000, true, "in the quantity's unit an hour"},
	SensorJump:      {-100_000, 100_000, true, "in the quantity's unit"},
	SensorBaseline:  {0, 100_000, false, "ppm at most a time"},
	MisterScaled:    {0, 1, false, "the share of the output that is left"},
	FilterClogged:   {0, 1000, true, "the share of the clean flow that is lost a day"},
	DoorOpen:        {0, 1, false, "how wide"},
	RoomCO2:         {0, 1_000_000, true, "ppm added to the room's air"},
	MessagesLost:    {0, 1, true, "the share of them"},
	MessagesLate:    {0, 86_400, true, "seconds"},
	MessagesDoubled: {0, 1, true, "the share of them"},
	MessagesMixed:   {0, 86_400, true, "seconds at most"},
}

// CheckAmount reports an amount that the kind cannot have: what a person wrote may be any number, or none.
func (f *Fault) CheckAmount() error {
	a, used := amounts[f.Kind]
	switch {
	case !used && f.Amount != 0:
		return fmt.Errorf("%s takes no amount; leave it out", f.Kind)
	case used && a.must && f.Amount == 0:
		return fmt.Errorf("with no amount, %s does nothing; add amount=NUMBER, %s", f.Kind, a.unit)
	case used && (math.IsNaN(f.Amount) || f.Amount < a.least || f.Amount > a.most):
		return fmt.Errorf("amount=%v is not allowed of %s; give %v to %v, %s", f.Amount, f.Kind, a.least, a.most, a.unit)
	}
	return nil
}

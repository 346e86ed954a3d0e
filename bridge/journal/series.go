package journal

import "time"

// What the history of a chamber holds beside what its sensors measure, which stands under place chamber or room with
// the configuration's word for the quantity. A plug stands under its own name.
const (
	// PlugOn is the quantity of a plug's time on: Mean is the share of time, Seconds the time, N the seconds seen.
	PlugOn = "plug_on"
	// PlugPower is the quantity of a metering plug's power in watts, as a mean over [SlowSpan]: times the hours it is
	// the energy. Seconds is the time that a value was known.
	PlugPower = "power"

	// PlaceTarget is where targets stand, under the quantity's word, once per [SlowSpan]: Min is the lower end of the
	// range, Max the upper one, Mean the aim. Of co2 Mean and Max are the most allowed (0: no limit), Min is the least
	// wanted. Put together to a wider step, Min is the lowest lower end and Max the highest upper end.
	PlaceTarget = "target"
	// PlaceLearned is where learned values stand, once per [SlowSpan] while they are known: Mean is the value, Min and
	// Max are one standard deviation below and above.
	PlaceLearned = "learned"
)

// The quantities under [PlaceLearned].
const (
	AirChangesFanOn  = "air_changes_fan_on"  // per hour, with the fan running
	AirChangesFanOff = "air_changes_fan_off" // per hour, at rest
	FanFlow          = "fan_flow"            // m³/h that the fan adds
	FanFlowShare     = "fan_flow_share"      // the same by its rated flow; only with flow_m3_per_h
	CO2Generation    = "co2_generation"      // g/h that the crop gives off
	MistOutput       = "mist_output"         // g/h of mist while the humidifier runs, as the air shows it
	MistDrawn        = "mist_drawn"          // g/h that it draws from the reservoir meanwhile
	MistEvaporated   = "mist_evaporated"     // g/h of it that becomes vapor in the air
	ReservoirLiters  = "reservoir"           // L, estimated; Min and Max hold the truth nine times in ten
)

// VaporDeficit is the vapor pressure deficit in Pa under place chamber, worked out from temperature and relative
// humidity at each look, and kept as a mean over [SlowSpan]: a lower deficit dries less.
const VaporDeficit = "vapor_pressure_deficit"

// SlowSpan is the width of aggregates of what changes slowly: targets, what was learned, power, the deficit.
const SlowSpan = 10 * time.Minute

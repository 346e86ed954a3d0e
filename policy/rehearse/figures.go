package rehearse

import (
	"math"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/plant"
)

// Figures say how well a chamber was kept. Shares are of the time observed, 0..1, by the true state of the air.
type Figures struct {
	Hours       float64 `json:"hours"` // observed
	RHWithin2_5 float64 `json:"rh_within_2_5"`
	RHWithin5   float64 `json:"rh_within_5"`
	RHInRange   float64 `json:"rh_in_range"`
	RHSaturated float64 `json:"rh_saturated"` // above 99.5 %
	RHMean      float64 `json:"rh_mean"`

	CO2BelowMax float64 `json:"co2_below_max"` // 1 where there is no maximum
	// CO2BelowMaxPossible is the same as a share of the time in which the room's own air was below the maximum.
	CO2BelowMaxPossible float64 `json:"co2_below_max_when_possible"`
	CO2Mean             float64 `json:"co2_mean_ppm"`

	TemperatureInRange float64 `json:"temperature_in_range"`
	TemperatureMean    float64 `json:"temperature_mean_c"`

	SwitchesPerHour   map[string]float64 `json:"switches_per_hour"` // by plug, on and off each count
	WaterLitersPerDay float64            `json:"water_liters_per_day"`
	FanHoursPerDay    float64            `json:"fan_hours_per_day"`
	Violations        int                `json:"min_time_violations"` // switchings sooner than the plug's minimum on or off
}

// Result is a chamber's figures beside those of common practice.
type Result struct {
	Chamber    string `json:"chamber"`
	Controller string `json:"controller"`
	Figures
	CommonPractice *Figures `json:"common_practice,omitempty"`
}

// Tally adds up the true state of a chamber. It is what [Figures] are made of, for whoever runs a [plant.Rig] by
// other means than a [Run].
type Tally struct {
	target crop.Target
	settle time.Duration
	shares Shares

	switches []int
	water    float64
	fan      float64
	broken   int
}

// NewTally starts a tally of a chamber with so many outlets against a target; it leaves the first settle out.
func NewTally(target crop.Target, settle time.Duration, outlets int) Tally {
	return Tally{target: target, settle: settle, switches: make([]int, outlets)}
}

// Add counts the span that ended at the given time after the start.
func (t *Tally) Add(at, span time.Duration, rig *plant.Rig, truth plant.Truth) {
	if at <= t.settle {
		t.water, t.broken, t.fan = rig.State.Total.MistG, len(rig.Violations), fanSeconds(rig)
		for i := range rig.Outlets {
			t.switches[i] = rig.Outlets[i].Switches
		}
		return
	}
	t.shares.Add(span, Air{truth.RelativeHumidity, truth.CO2PPM, truth.AirC, rig.Room().CO2PPM}, &t.target)
}

// Air is the mean air of a span. But for the humidity, what is not known of it is not a number.
type Air struct {
	RelativeHumidity, CO2PPM, AirC float64 // in the chamber
	RoomCO2PPM                     float64
}

// Shares adds up for how much of the time the air was as it was wanted: the part of [Figures] that the air alone tells.
type Shares struct {
	seconds                                            float64
	in25, in5, inRange, saturated, rh                  float64
	co2Seconds, belowMax, possible, belowWhilePossible float64
	co2                                                float64
	airSeconds, inTemperature, temperature             float64
}

// Add counts a span. A room whose CO2 is not known counts as one below the maximum.
func (s *Shares) Add(span time.Duration, air Air, wanted *crop.Target) {
	dt := span.Seconds()
	s.seconds += dt
	rh := air.RelativeHumidity
	off := math.Abs(rh - wanted.RelativeHumidity.Aim)
	count(&s.in25, off <= 0.025, dt)
	count(&s.in5, off <= 0.05, dt)
	count(&s.inRange, wanted.RelativeHumidity.Holds(rh), dt)
	count(&s.saturated, rh > 0.995, dt)
	s.rh += float64(rh * dt)
	if !math.IsNaN(air.CO2PPM) {
		limit := wanted.CO2MaxPPM
		below, possible := limit <= 0 || air.CO2PPM <= limit, limit <= 0 || !(air.RoomCO2PPM >= limit)
		s.co2Seconds += dt
		count(&s.belowMax, below, dt)
		count(&s.possible, possible, dt)
		count(&s.belowWhilePossible, below && possible, dt)
		s.co2 += float64(air.CO2PPM * dt)
	}
	if !math.IsNaN(air.AirC) {
		s.airSeconds += dt
		count(&s.inTemperature, wanted.TemperatureC.Holds(air.AirC), dt)
		s.temperature += float64(air.AirC * dt)
	}
}

func count(sum *float64, yes bool, dt float64) {
	if yes {
		*sum += dt
	}
}

// Figures gives the shares so far, without what the air does not tell.
func (s *Shares) Figures() (f Figures) {
	if s.seconds > 0 {
		share := 1 / s.seconds
		f.Hours = s.seconds / 3600
		f.RHWithin2_5, f.RHWithin5, f.RHInRange, f.RHSaturated = s.in25*share, s.in5*share, s.inRange*share, s.saturated*share
		f.RHMean = s.rh * share
	}
	if s.co2Seconds > 0 {
		share := 1 / s.co2Seconds
		f.CO2BelowMax, f.CO2Mean, f.CO2BelowMaxPossible = s.belowMax*share, s.co2*share, 1
		if s.possible > 0 {
			f.CO2BelowMaxPossible = s.belowWhilePossible / s.possible
		}
	}
	if s.airSeconds > 0 {
		share := 1 / s.airSeconds
		f.TemperatureInRange, f.TemperatureMean = s.inTemperature*share, s.temperature*share
	}
	return f
}

func fanSeconds(rig *plant.Rig) float64 {
	for i := range rig.Outlets {
		if rig.Outlets[i].Spec.Role == chamber.ExhaustFan {
			return rig.Outlets[i].OnSeconds
		}
	}
	return 0
}

func (t *Tally) figures(c *Case, rig *plant.Rig) Figures {
	names := make([]string, len(c.Spec.Plugs))
	for i := range names {
		names[i] = c.Spec.Plugs[i].Name
	}
	return t.Figures(names, rig)
}

// Figures gives the shares so far; names are those of the outlets.
func (t *Tally) Figures(names []string, rig *plant.Rig) Figures {
	f := t.shares.Figures()
	f.SwitchesPerHour = map[string]float64{}
	if f.Hours == 0 {
		return f
	}
	for i, name := range names {
		f.SwitchesPerHour[name] = float64(rig.Outlets[i].Switches-t.switches[i]) / f.Hours
	}
	days := f.Hours / 24
	f.WaterLitersPerDay = (rig.State.Total.MistG - t.water) / 1000 / days
	f.FanHoursPerDay = (fanSeconds(rig) - t.fan) / 3600 / days
	f.Violations = len(rig.Violations) - t.broken
	return f
}

// Trace is the course of a rehearsal in rows a minute apart, for plots. All columns have the same length.
type Trace struct {
	Minute     []int     `json:"minute"`
	RH         []float64 `json:"rh"`
	CO2        []float64 `json:"co2_ppm"`
	AirC       []float64 `json:"air_c"`
	Humidifier []float64 `json:"humidifier"` // share of the minute on, or of full output
	ExhaustFan []float64 `json:"exhaust_fan"`
	RoomCO2    []float64 `json:"room_co2_ppm"`

	mist, fan float64
}

func (t *Trace) add(at time.Duration, rig *plant.Rig, truth plant.Truth) {
	for i := range rig.Outlets {
		if o := &rig.Outlets[i]; o.On {
			switch o.Spec.Role {
			case chamber.Humidifier:
				t.mist += o.Level
			case chamber.ExhaustFan:
				t.fan += o.Level
			}
		}
	}
	if at%time.Minute != 0 {
		return
	}
	t.Minute = append(t.Minute, int(at/time.Minute))
	t.RH = append(t.RH, truth.RelativeHumidity)
	t.CO2 = append(t.CO2, truth.CO2PPM)
	t.AirC = append(t.AirC, truth.AirC)
	t.Humidifier = append(t.Humidifier, t.mist/60)
	t.ExhaustFan = append(t.ExhaustFan, t.fan/60)
	t.RoomCO2 = append(t.RoomCO2, rig.Room().CO2PPM)
	t.mist, t.fan = 0, 0
}

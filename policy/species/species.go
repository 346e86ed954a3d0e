// Package species is the built-in climate table: what each edible mushroom wants of the air at each stage, every row
// with its source and how sure it is. A grower's own rows lie over it.
//
// It must never know of a particular chamber. Start reading at [Table].
package species

import (
	"fmt"

	"gillkeeper/policy/nearest"
)

// Stage is the part of a crop's life that decides its climate.
type Stage uint8

// The stages in the order of a crop's life.
const (
	Colonization Stage = iota + 1
	Pinning
	Fruiting
	Rest
)

var stageNames = [...]string{Colonization: "colonization", Pinning: "pinning", Fruiting: "fruiting", Rest: "rest"}

// Stages lists every stage in the order of a crop's life.
func Stages() []Stage { return []Stage{Colonization, Pinning, Fruiting, Rest} }

func (s Stage) String() string {
	if s > 0 && int(s) < len(stageNames) {
		return stageNames[s]
	}
	return fmt.Sprintf("unknown(%d)", s)
}

// MarshalText gives the word used in configuration and commands; nothing for the zero value, which is no stage.
func (s Stage) MarshalText() ([]byte, error) {
	if s == 0 {
		return []byte{}, nil
	}
	return []byte(s.String()), nil
}

// UnmarshalText accepts the words of configuration and commands, and nothing as the zero value.
func (s *Stage) UnmarshalText(b []byte) error {
	if len(b) == 0 {
		*s = 0
		return nil
	}
	for i := 1; i < len(stageNames); i++ {
		if stageNames[i] == string(b) {
			*s = Stage(i)
			return nil
		}
	}
	hint := ""
	if near := nearest.Word(string(b), stageNames[1:]); near != "" {
		hint = fmt.Sprintf("; did you mean %q", near)
	}
	return fmt.Errorf("%q is not a stage; stages are colonization, pinning, fruiting, rest%s", b, hint)
}

// Range is a closed interval in the unit its field names.
type Range struct {
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// Given reports whether the source states the range at all.
func (r Range) Given() bool { return r.Low != 0 || r.High != 0 }

// Middle is the value halfway between the ends.
func (r Range) Middle() float64 { return r.Low + (r.High-r.Low)/2 }

// Sureness says how well a figure is founded.
type Sureness uint8

// The kinds of foundation, the best first. Grower is a kind of its own: a person's word over the table's.
const (
	PageSeen       Sureness = iota + 1 // the page itself was read
	Reproduction                       // the page was read in somebody's public reproduction
	Summary                            // an abstract, a data sheet or an excerpt was read
	CommonPractice                     // usual among growers; no source found
	Analogy                            // taken over from a relative
	Memory                             // from memory, nothing seen
	Grower                             // the grower's own number
)

var surenessNames = [...]string{
	PageSeen: "page seen", Reproduction: "seen in a reproduction", Summary: "summary seen",
	CommonPractice: "common practice", Analogy: "by analogy", Memory: "from memory", Grower: "the grower's own",
}

func (s Sureness) String() string {
	if s > 0 && int(s) < len(surenessNames) {
		return surenessNames[s]
	}
	return fmt.Sprintf("unknown(%d)", s)
}

// MarshalText gives the words that tables show.
func (s Sureness) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText accepts the words that tables show.
func (s *Sureness) UnmarshalText(b []byte) error {
	for i := 1; i < len(surenessNames); i++ {
		if surenessNames[i] == string(b) {
			*s = Sureness(i)
			return nil
		}
	}
	return fmt.Errorf("%q does not say how sure a figure is", b)
}

// Field names one figure of a row, as the configuration does.
type Field string

// The fields of a row, in the order in which tables show them.
const (
	RelativeHumidity Field = "relative_humidity"
	TemperatureC     Field = "temperature_c"
	CO2MinPPM        Field = "co2_min_ppm"
	CO2MaxPPM        Field = "co2_max_ppm"
	FAEPerHour       Field = "fae_per_hour"
	Lux              Field = "lux"
	LightHours       Field = "light_hours"
	LightsOn         Field = "lights_on"
	Days             Field = "days"
)

// Package species is the built-in climate table: what each edible mushroom wants of the air at each stage, every row
// with its source and how sure it is. A grower's own rows lie over it.
//
// It must never know of a particular chamber. Start reading at [Table].
package species

import "fmt"

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

// MarshalText gives the word used in configuration and commands.
func (s Stage) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText accepts the words of configuration and commands.
func (s *Stage) UnmarshalText(b []byte) error {
	for i := 1; i < len(stageNames); i++ {
		if stageNames[i] == string(b) {
			*s = Stage(i)
			return nil
		}
	}
	return fmt.Errorf("%q is no stage; stages are colonization, pinning, fruiting, rest", b)
}

// Range is a closed interval in the unit its field names.
type Range struct {
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// Given reports whether the source states the range at all.
func (r Range) Given() bool { return r.Low != 0 || r.High != 0 }

// Table is a climate table: rows by species and stage.
type Table struct{}

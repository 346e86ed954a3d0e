package homie

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Property is one value of a device ("Property Attributes"). The zero Settable and the nil Retained are the
// convention's defaults.
type Property struct {
	Name     string `json:"name,omitempty"`
	Datatype string `json:"datatype"`
	Format   string `json:"format,omitempty"`
	Settable bool   `json:"settable,omitempty"`
	Retained *bool  `json:"retained,omitempty"` // nil: yes
	Unit     string `json:"unit,omitempty"`
}

// IsRetained reports whether the broker keeps the property's last value.
func (p *Property) IsRetained() bool { return p.Retained == nil || *p.Retained }

// The datatypes ("Payloads").
const (
	Integer  = "integer"
	Number   = "float"
	Boolean  = "boolean"
	String   = "string"
	Enum     = "enum"
	Color    = "color"
	DateTime = "datetime"
	Duration = "duration"
	JSON     = "json"
)

var (
	integerForm  = regexp.MustCompile(`^-?[0-9]+$`)
	floatForm    = regexp.MustCompile(`^-?[0-9]*\.?[0-9]*([eE]-?[0-9]+)?$`)
	durationForm = regexp.MustCompile(`^PT([0-9]+H)?([0-9]+M)?([0-9]+S)?$`)
)

// ParseFloat reads a payload of the datatype float.
func ParseFloat(s string) (float64, error) {
	if !floatForm.MatchString(s) {
		return 0, errors.New("is not a number of digits, point, minus and exponent")
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil && math.IsInf(v, 0) {
		return 0, errors.New("is out of range")
	}
	if err != nil && !errors.Is(err, strconv.ErrRange) { // too small to tell from zero is zero
		return 0, errors.New("is not a number")
	}
	return v, nil
}

// Accept says what makes a payload illegal for the property. Numbers are rounded to the format's step and then checked
// ("Formats"); current is the property's value, from which steps count where the format has no end. Of colors and JSON
// only the emptiness is checked.
func (p *Property) Accept(payload string, current float64) error {
	if payload == "" {
		return errors.New("is empty")
	}
	switch p.Datatype {
	case Integer:
		if _, err := strconv.ParseInt(payload, 10, 64); err != nil || !integerForm.MatchString(payload) {
			return errors.New("is not a whole number")
		}
		_, err := p.Fit(payload, current)
		return err
	case Number:
		_, err := p.Fit(payload, current)
		return err
	case Boolean:
		if payload != "true" && payload != "false" {
			return errors.New(`is neither "true" nor "false"`)
		}
	case Enum:
		if words := strings.Split(p.Format, ","); !slices.Contains(words, payload) {
			return fmt.Errorf("is none of %s", strings.Join(words, ", "))
		}
	case DateTime:
		if _, err := time.Parse(time.RFC3339, payload); err != nil {
			return errors.New("is no date with time and zone")
		}
	case Duration:
		if !durationForm.MatchString(payload) || payload == "PT" {
			return errors.New("is not a duration such as PT15M")
		}
	}
	return nil
}

// Fit gives the number of a payload, rounded to the format's step and checked against its ends.
func (p *Property) Fit(payload string, current float64) (float64, error) {
	v, err := ParseFloat(payload)
	if err != nil {
		return 0, err
	}
	r, err := parseRange(p.Format)
	if err != nil {
		return 0, err
	}
	v = r.round(v, current)
	if math.IsNaN(v) || math.IsInf(v, 0) { // of numbers far apart
		return 0, fmt.Errorf("is no number of steps of %s", p.Format)
	}
	if r.hasMin && v < r.min || r.hasMax && v > r.max {
		return 0, fmt.Errorf("is outside %s", p.Format)
	}
	return v, nil
}

// legalFormat reports whether the format is one that the datatype can have.
func (p *Property) legalFormat() bool {
	switch p.Datatype {
	case Integer, Number:
		_, err := parseRange(p.Format)
		return err == nil
	case Enum:
		return distinct(strings.Split(p.Format, ","))
	case Boolean:
		labels := strings.Split(p.Format, ",")
		return p.Format == "" || len(labels) == 2 && distinct(labels)
	case Color:
		for _, w := range strings.Split(p.Format, ",") {
			if w != "rgb" && w != "hsv" && w != "xyz" {
				return false
			}
		}
	case String, DateTime, Duration, JSON: // a schema that cannot be read is to be passed over
	default:
		return false // no datatype
	}
	return true
}

// distinct reports whether no word is empty or there twice.
func distinct(words []string) bool {
	seen := map[string]bool{}
	for _, w := range words {
		if w == "" || seen[w] {
			return false
		}
		seen[w] = true
	}
	return true
}

// numbers is the format of a number: [min]:[max][:step].
type numbers struct {
	min, max       float64
	hasMin, hasMax bool
	step           float64 // 0: none
}

func parseRange(format string) (r numbers, err error) {
	if format == "" {
		return r, nil
	}
	parts := strings.Split(format, ":")
	if len(parts) < 2 || len(parts) > 3 {
		return r, fmt.Errorf("format %q is not min:max:step", format)
	}
	read := func(s string) (v float64, has bool) {
		if s == "" || err != nil {
			return 0, false
		}
		if v, err = ParseFloat(s); err != nil {
			err = fmt.Errorf("format %q has a part that %w", format, err)
		}
		return v, err == nil
	}
	r.min, r.hasMin = read(parts[0])
	r.max, r.hasMax = read(parts[1])
	if len(parts) == 3 {
		var has bool
		if r.step, has = read(parts[2]); err == nil && (!has || r.step <= 0) {
			err = fmt.Errorf("format %q has a step that is not above zero", format)
		}
	}
	if err == nil && r.hasMin && r.hasMax && r.min > r.max {
		err = fmt.Errorf("format %q has its ends crossed", format)
	}
	return r, err
}

// round gives the nearest step, counted from the lower end, else the upper, else the current value.
func (r *numbers) round(v, current float64) float64 {
	if r.step == 0 {
		return v
	}
	base := current
	switch {
	case r.hasMin:
		base = r.min
	case r.hasMax:
		base = r.max
	}
	return base + math.Floor((v-base)/r.step+0.5)*r.step
}

package yield

import (
	"math"
	"strconv"
)

// Value is a figure that may be missing: NaN here, null in JSON, empty in CSV.
type Value float64

// NaN is a figure that is not there.
var NaN = Value(math.NaN())

// OK reports whether the figure is there.
func (v Value) OK() bool { return !math.IsNaN(float64(v)) && !math.IsInf(float64(v), 0) }

// MarshalJSON writes the number, or null.
func (v Value) MarshalJSON() ([]byte, error) {
	if !v.OK() {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, float64(v), 'g', -1, 64), nil
}

// UnmarshalJSON reads a number or null.
func (v *Value) UnmarshalJSON(b []byte) error {
	f, err := number(string(b))
	*v = Value(f)
	return err
}

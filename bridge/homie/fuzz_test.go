package homie

import (
	"math"
	"testing"
)

// FuzzAccept: whatever a device describes and a controller sends, a number that is accepted is one, and within the ends.
func FuzzAccept(f *testing.F) {
	for _, s := range []struct{ format, payload string }{{"0:100:5", "12"}, {":", "1e308"}, {"::1e-300", "1e300"}, {"-5:5", "-0"}, {"5:1", "3"}, {"::0", "1"}, {"0:1:1e400", "1"}, {"NaN:1", "0"}} {
		f.Add(uint8(0), s.format, s.payload, 0.0)
	}
	f.Add(uint8(3), "on,off", "on", 0.0)
	kinds := []string{Number, Integer, Boolean, Enum, DateTime, Duration, String, JSON, Color}
	f.Fuzz(func(t *testing.T, kind uint8, format, payload string, current float64) {
		if math.IsNaN(current) || math.IsInf(current, 0) {
			return
		}
		p := Property{Datatype: kinds[int(kind)%len(kinds)], Format: format}
		if p.Accept(payload, current) != nil || p.Datatype != Number && p.Datatype != Integer {
			return
		}
		v, err := p.Fit(payload, current)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			t.Fatalf("%q with format %q is accepted, and is %v, %v", payload, format, v, err)
		}
		if r, err := parseRange(format); err != nil || r.hasMin && v < r.min || r.hasMax && v > r.max {
			t.Errorf("%q with format %q is %v", payload, format, v)
		}
	})
}

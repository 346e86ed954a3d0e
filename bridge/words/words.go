// Package words says in plain words what the policies decided as data: reasons, alarms, quantities, times.
//
// It must never decide anything or compute a second opinion: it only reads. Start reading at [Words.Reason].
package words

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
)

// Words is how one site wants to read: its timezone, its unit of temperature, its way to write the time of day. The zero
// value reads in UTC, degrees Celsius and 24 hours.
type Words struct {
	Zone       *time.Location
	Fahrenheit bool
	TwelveHour bool // 2:05 pm for 14:05
}

// Quantity names what is measured, to stand at the beginning of a sentence.
func Quantity(q chamber.Quantity) string {
	switch q {
	case chamber.RelativeHumidity:
		return "Humidity"
	case chamber.Temperature:
		return "Temperature"
	case chamber.CO2:
		return "CO2"
	case chamber.Illuminance:
		return "Light"
	}
	return "The reading"
}

// QuantityAmid names what is measured, to stand amid a sentence.
func QuantityAmid(q chamber.Quantity) string {
	if q == chamber.CO2 {
		return "CO2"
	}
	return strings.ToLower(Quantity(q))
}

// Species writes a binomial as people do: Pleurotus ostreatus.
func Species(name string) string {
	s := strings.ReplaceAll(name, "-", " ")
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// Value writes a value of a quantity with its unit, as finely as sensors are good for.
func (w Words) Value(q chamber.Quantity, v float64) string {
	switch q {
	case chamber.RelativeHumidity:
		return Percent(v, 1)
	case chamber.Temperature:
		return w.Temperature(v)
	case chamber.CO2:
		return Number(v, 0) + " ppm"
	case chamber.Illuminance:
		return Number(v, 0) + " lx"
	}
	return Number(v, 2)
}

// Temperature writes degrees Celsius in the site's unit.
func (w Words) Temperature(celsius float64) string {
	return Number(w.Degrees(celsius), 1) + " " + w.DegreeUnit()
}

// Degrees gives degrees Celsius in the site's unit.
func (w Words) Degrees(celsius float64) float64 {
	if w.Fahrenheit {
		return celsius*9/5 + 32
	}
	return celsius
}

// DegreeUnit is the sign of the site's unit of temperature.
func (w Words) DegreeUnit() string {
	if w.Fahrenheit {
		return "°F"
	}
	return "°C"
}

// Span writes a range of a quantity with its unit once; an end that is 0 is open for CO2, where 0 means not stated.
func (w Words) Span(q chamber.Quantity, low, high float64) string {
	switch q {
	case chamber.RelativeHumidity:
		return between(trim(Number(low*100, 1)), trim(Number(high*100, 1))) + " %"
	case chamber.Temperature:
		return between(trim(Number(w.Degrees(low), 1)), trim(Number(w.Degrees(high), 1))) + " " + w.DegreeUnit()
	case chamber.CO2:
		switch {
		case low == 0 && high == 0:
			return ""
		case low == 0:
			return "up to " + Number(high, 0) + " ppm"
		case high == 0:
			return "from " + Number(low, 0) + " ppm"
		}
	}
	return Number(low, 0) + "–" + w.Value(q, high)
}

// between writes two numbers as a range, or one where they are the same.
func between(low, high string) string {
	if low == high {
		return low
	}
	return low + "–" + high
}

// trim drops a fraction of zero: 85.0 is 85.
func trim(s string) string { return strings.TrimSuffix(s, ".0") }

// Percent writes a ratio as a percentage.
func Percent(ratio float64, digits int) string { return Number(ratio*100, digits) + " %" }

// Number writes a number with so many digits after the point; "?" for one that is none. It never writes −0.
func Number(v float64, digits int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "?"
	}
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return s
}

// Duration writes a length of time in its two largest units: 45 s, 12 min, 3 h 20 min, 2 d 4 h.
func Duration(d time.Duration) string {
	if d < 0 {
		return "−" + Duration(-max(d, math.MinInt64+1))
	}
	switch {
	case d < 10*time.Second && d%time.Second != 0:
		return trim(Number(d.Seconds(), 1)) + " s"
	case d < 2*time.Minute:
		return Number(d.Seconds(), 0) + " s"
	case d.Round(time.Minute) < time.Hour:
		return Number(d.Minutes(), 0) + " min"
	case d < 48*time.Hour:
		return two(d.Round(time.Minute), time.Hour, "h", time.Minute, "min")
	}
	return two(d.Round(time.Hour), 24*time.Hour, "d", time.Hour, "h")
}

// About writes a length of time that is foreseen, no more finely than anybody can foresee it: from three hours on to ten minutes,
// from ten hours on to the hour.
func About(d time.Duration) string {
	switch {
	case d >= 10*time.Hour:
		d = d.Round(time.Hour)
	case d >= 3*time.Hour:
		d = d.Round(10 * time.Minute)
	}
	return Duration(d)
}

func two(d, large time.Duration, largeName string, small time.Duration, smallName string) string {
	s := fmt.Sprintf("%d %s", d/large, largeName)
	if rest := d % large / small; rest > 0 {
		s += fmt.Sprintf(" %d %s", rest, smallName)
	}
	return s
}

// Liters writes an amount of water: of a little, to ten milliliters.
func Liters(v float64) string {
	digits := 1
	if math.Abs(v) < 0.195 && v != 0 {
		digits = 2
	}
	return Number(v, digits) + " L"
}

// Kilograms writes a weight that a person gave, to the gram where they did: efficiency is worked out from it.
func Kilograms(v float64) string { return given(v) + " kg" }

// Capacity writes the liters that a reservoir holds when full, as they were given: who types them must not be told that it is too
// much.
func Capacity(v float64) string { return given(v) }

// given writes a number that a person gave with the digits that it has, at least one and at most three.
func given(v float64) string {
	for digits := 1; digits < 3; digits++ {
		if s := Number(v, digits); math.Abs(v) < 1e6 && Number(v, 3) == s+strings.Repeat("0", 3-digits) {
			return s
		}
	}
	return Number(v, 3)
}

// EmptyIn says when the reservoir runs dry: "in about 14 h"; "by now" where it should be, though the humidifier still
// gives mist. Before a day of use is seen it says how much was: an outlook, which also goes by what such chambers use, then says otherwise.
func EmptyIn(r *alarm.Reservoir) string {
	if r.EmptyIn < time.Minute {
		return "by now"
	}
	_, hours := r.Balance.Use.Daily()
	if hours > 0 && hours < 24 {
		return emptyIn(r.EmptyIn) + fmt.Sprintf(" (use of the last %.0f h)", hours)
	}
	return emptyIn(r.EmptyIn)
}

func emptyIn(d time.Duration) string {
	if d >= alarm.FarthestEmpty {
		return fmt.Sprintf("in more than %d days", alarm.FarthestEmpty/(24*time.Hour))
	}
	return "in about " + About(d)
}

// near is how close a moment must be to be written with its seconds.
const near = 10 * time.Minute

// slip is by how much a moment of the calendar, such as 08:00, may come back too early from the clock that durations are
// measured by. Forms of time leave out what is less than a second.
const slip = 5 * time.Millisecond

// Clock writes a moment in the site's time, seen from now: with seconds when it is near, with the date when it is
// another day.
func (w Words) Clock(t, now time.Time) string {
	zone := w.Zone
	if zone == nil {
		zone = time.UTC
	}
	t, now = t.In(zone).Add(slip), now.In(zone)
	form := w.ClockForm(t.Sub(now).Abs() < near)
	if y, m, d := t.Date(); func() bool { ny, nm, nd := now.Date(); return y != ny || m != nm || d != nd }() {
		form = "2 Jan " + form
		if t.Sub(now).Abs() > 300*24*time.Hour {
			form = "2 Jan 2006"
		}
	}
	return t.Format(form)
}

// ClockForm is the layout, as package time has it, in which the site writes the time of day.
func (w Words) ClockForm(seconds bool) string {
	switch {
	case w.TwelveHour && seconds:
		return "3:04:05 pm"
	case w.TwelveHour:
		return "3:04 pm"
	case seconds:
		return "15:04:05"
	}
	return "15:04"
}

// known reports whether a moment says anything: a zero time with a length added to it does not.
func known(t time.Time) bool { return t.Year() > 1970 }

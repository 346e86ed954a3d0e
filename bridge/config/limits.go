package config

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"gillkeeper/policy/air"
	"gillkeeper/policy/chamber"
)

// Limit is what a number in the file may be, and why.
type Limit struct {
	Low, High float64
	Unit      string
	Why       string // reads on after "because"
}

func (l Limit) String() string {
	unit := l.Unit
	if unit != "" {
		unit = " " + unit
	}
	return fmt.Sprintf("%s to %s%s, because %s", number(l.Low), number(l.High), unit, l.Why)
}

// holds is false for NaN.
func (l Limit) holds(v float64) bool { return v >= l.Low && v <= l.High }

// Span is what a duration in the file may be, and why.
type Span struct {
	Low, High time.Duration
	ZeroIsOff bool // 0s is allowed too and means that there is no limit
	Why       string
}

func (s Span) String() string {
	off := ""
	if s.ZeroIsOff {
		off = `, or "0s" for no limit`
	}
	return fmt.Sprintf("%s to %s%s, because %s", shortDuration(s.Low), shortDuration(s.High), off, s.Why)
}

func (s Span) holds(d time.Duration) bool {
	return d >= s.Low && d <= s.High || s.ZeroIsOff && d == 0
}

// Every limit on a number or duration of the file.
var (
	volumeLimit      = Limit{0.02, 200, "m³", "20 liters is the smallest box that holds a block and 200 m³ a growing room"}
	altitudeLimit    = Limit{-430, 5000, "m", "that is from the lowest shore to the highest villages"}
	outputLimit      = Limit{1, 20000, "g/h", "less wets nothing and more is a fog plant"}
	flowLimit        = Limit{0.1, 10000, "m³/h", "less is no fan and more empties a growing room every minute"}
	reservoirLimit   = Limit{0.05, 2000, "L", "that is from a cup to a tank"}
	humidityLimit    = Limit{0.3, 1, "as ratios", "below 0.3 nothing fruits and 1 is saturation"}
	temperatureLimit = Limit{0, 40, "°C", "mycelium rests below and dies above"}
	co2Limit         = Limit{air.OutdoorCO2, 100_000, "ppm", fmt.Sprintf("outdoor air has %d ppm already and no ventilation gets below it", air.OutdoorCO2)}
	faeLimit         = Limit{0, 60, "air changes per hour", "more than one a minute dries every cap"}
	lightLimit       = Limit{0, 24, "hours a day", "a day has no more"}
	cleanLimit       = Limit{0.5, 2000, "L", "that is from a small tank to a hundred fillings of a large one"}
	wearLimit        = Limit{20, 20000, "a day", "a chamber needs some air and mist each hour, and no plug can be switched more often"}
	levelLimit       = Limit{1, 65535, "", "plugs count from a share of 1 up to 16 bits"}
	keepLimit        = Limit{1, 36500, "days", "a day is the least to look back on and a century the most"}
	daysLimit        = Limit{0, 730, "days", "no stage takes longer than two years"}

	runSpan   = Span{Low: time.Second, High: time.Hour, Why: "commands travel for up to a second, and an hour is longer than any chamber keeps its air"}
	warnSpan  = Span{Low: time.Hour, High: 7 * 24 * time.Hour, Why: "that is from a walk to the tap to a week away"}
	cleanSpan = Span{Low: 12 * time.Hour, High: 60 * 24 * time.Hour, Why: "nobody cleans twice a day, and in two months any standing water is alive"}
	ageSpan   = Span{Low: 10 * time.Second, High: 6 * time.Hour, Why: "sensors rarely report faster, and older air is other air"}
	maxSpan   = Span{Low: 10 * time.Second, High: 24 * time.Hour, ZeroIsOff: true, Why: "a longer run than a day is no limit"}
	mistSpan  = Span{Low: 10 * time.Second, High: 4 * time.Hour, Why: "a humidifier that runs on floods the chamber, so it always has a limit"}
	heatSpan  = Span{Low: 10 * time.Second, High: 6 * time.Hour, Why: "a heater that runs on cooks the crop, so it always has a limit"}
)

// pace is the switching that suits a role.
type pace struct{ minOn, minOff, maxOn time.Duration }

// paces are the defaults by role. A relay and a mister's transducer stand a change every 20 s; a compressor needs
// minutes for its pressures to even out before it starts again (common practice).
var paces = map[chamber.Role]pace{
	chamber.Humidifier:     {20 * time.Second, 20 * time.Second, 30 * time.Minute},
	chamber.ExhaustFan:     {20 * time.Second, 20 * time.Second, 0},
	chamber.CirculationFan: {20 * time.Second, 20 * time.Second, 0},
	chamber.Lamp:           {time.Minute, time.Minute, 0},
	chamber.Heater:         {30 * time.Second, 30 * time.Second, time.Hour},
	chamber.Cooler:         {3 * time.Minute, 5 * time.Minute, 0},
}

// What physics makes of the numbers together, see sense.go.
const (
	// bandWidth is the whole humidity band that a crop is kept in: ±5 points, as a ratio.
	bandWidth = 0.10
	// leastBuffer is by how much wet walls and blocks at least multiply the moisture that air alone takes up for a
	// point of humidity. An estimate without a source; the real chamber's factor is learned.
	leastBuffer = 2
	// hopelessPulse is how many times over the shortest mist pulse may fill dry air to saturation before no wall
	// and no block could take it up.
	hopelessPulse = 3
	// flushedTimes is how many volumes of air the shortest fan run may move before it is doubtful: after three,
	// 1-exp(-3) = 95 % of the chamber's air is room air.
	flushedTimes = 3
	// enoughMist in g/h per m³ keeps up with 30 air changes an hour, each of which takes about 9 g/m³ to bring air
	// of 20 °C and 30 % to 18 °C and 90 %.
	enoughMist = 270
	// muchMist times enoughMist leaves no time to measure between pulses.
	muchMist = 10
	// shortestFilling is how long a reservoir should last with the humidifier running: less is no night's sleep.
	shortestFilling = 2 * time.Hour
	// referenceTemperature in degrees Celsius, at which saturation is taken: middling for fruiting.
	referenceTemperature = 18
	// shortToken is the length in bytes below which a token can be guessed.
	shortToken = 16
)

// Limits on texts and files.
const (
	maxFile     = 32 << 20 // bytes of a configuration: ten thousand chambers take half of it
	maxNesting  = 32       // of lists and tables in a value: the file needs two
	maxSyntax   = 20       // syntax faults after which the reader gives up
	maxName     = 63       // bytes of a name, so that it fits one level of a topic and a label
	maxText     = 256      // bytes of a text for people
	maxPayload  = 4096     // bytes of a payload: switches take words, not books
	maxSideFile = 64 << 10 // bytes of a secret or certificate file
)

func number(v float64) string {
	if math.Abs(v) >= 1e15 { // nobody reads 300 digits
		return strconv.FormatFloat(v, 'g', -1, 64)
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// shortDuration writes 1h30m0s as 1h30m, the way people write it.
func shortDuration(d time.Duration) string {
	s := d.String()
	if n := len(s); n > 3 && s[n-3:] == "m0s" {
		s = s[:n-2]
	}
	if n := len(s); n > 3 && s[n-3:] == "h0m" {
		s = s[:n-2]
	}
	return s
}

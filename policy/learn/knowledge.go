package learn

import (
	"math"

	"gillkeeper/policy/air"
	"gillkeeper/policy/chamber"
)

// Learned is one learned value.
type Learned struct {
	Value      float64 `json:"value"`
	RelativeSD float64 `json:"relative_sd"`
	Known      bool    `json:"known"`
}

// intervalSD is how many standard deviations a 90 % interval reaches to either side of a normal value.
const intervalSD = 1.645

// Interval is where the truth lies in nine of ten cases. Values are positive, so it reaches further up than down.
func (l Learned) Interval() (low, high float64) {
	f := math.Exp(intervalSD * math.Max(0, math.Min(l.RelativeSD, 3)))
	return l.Value / f, l.Value * f
}

// HalfWidth is half the width of [Learned.Interval], in the value's unit.
func (l Learned) HalfWidth() float64 {
	low, high := l.Interval()
	return (high - low) / 2
}

// Knowledge is what was learned, for people.
type Knowledge struct {
	FanOn        Learned `json:"fan_on"`           // air changes an hour with the fan running
	FanOff       Learned `json:"fan_off"`          // at rest
	FanM3PerH    Learned `json:"fan_m3_per_h"`     // air that the fan moves in an hour of running
	ChangesPerH  Learned `json:"changes_per_h"`    // air changes an hour as the fan ran lately
	CO2GPerH     Learned `json:"co2_g_per_h"`      // given off by the crop now
	CO2MeanGPerH float64 `json:"co2_mean_g_per_h"` // the same in the mean of a day
	MistGPerH    Learned `json:"mist_g_per_h"`     // the humidifier's output per hour of on-time, as it ran lately
	VaporGPerH   Learned `json:"vapor_g_per_h"`    // what of it becomes vapor in the air, not wall film
	CropGPerH    Learned `json:"crop_g_per_h"`     // evaporated by the crop now
	RoomCO2      Learned `json:"room_co2_ppm"`     // as the chamber's sensor would show it
	RoomRH       Learned `json:"room_rh"`          // relative humidity of the room in percent, where nobody measures it
	CO2LagS      Learned `json:"co2_lag_s"`        // of the chamber's CO2 sensor
	RHLagS       Learned `json:"rh_lag_s"`         // of its humidity sensors
	CO2NoisePPM  float64 `json:"co2_noise_ppm"`    // standard deviation of a reading
	DailySwing   float64 `json:"daily_swing"`      // half the daily swing of CO2GPerH, relative
	DailyPeakH   float64 `json:"daily_peak_utc"`   // hour of its highest, UTC
}

// knownSD is the relative standard deviation up to which a value counts as known, and must be well below what was
// assumed at first.
const knownSD = 0.2

// What the filters leave out, as relative standard deviations: a gain of sensors and volumes as measured, surfaces that
// are not as typical, and for the vapor how much of the mist hits a wall at once, which readings hardly tell.
const (
	flowRest   = 0.02
	co2Rest    = 0.02
	mistRest   = 0.06
	vaporRest  = 0.15
	roomRHRest = 0.05
	roomRHSeen = 0.01 // standard deviation up to which the room's humidity is measured, or was a while ago
	// Where it is not, soaked walls pass for a damp room, and a humidifier beside a damp room for one that gives less: after four days
	// the mist of simulated chambers was taken for two thirds of what it was, and the room for eight points damper. So it is said to be
	// that much less sure than the filter is.
	UnmeasuredMist, unmeasuredRoom = 0.35, 0.14
	// What the filter makes of the share that is lost is true in its direction, but too strong.
	lossBelieved = 0.7
	// Two sensors of CO2 are apart by some ppm more than the filter comes to believe, which weighs the more the less the chamber
	// stands above the room.
	apartRest, apartLeast = 12.0, 120.0
)

// Knowledge gives what was learned of a chamber of that volume in m³ at that altitude in m.
func (s *State) Knowledge(volume, altitude float64) Knowledge {
	if s.At.IsZero() || !s.sane() {
		return Knowledge{}
	}
	k := s.ofAir(volume, altitude)
	k.addWater(s, volume)
	return k
}

func learned(v, variance, first float64, enough bool) Learned {
	sd := math.Sqrt(math.Max(variance, 0))
	return Learned{v, sd, enough && sd < knownSD && sd < 0.7*first && v > 0 && !math.IsInf(v, 0) && !math.IsNaN(v)}
}

// ofAir is what the CO2 filter knows.
func (s *State) ofAir(volume, altitude float64) (k Knowledge) {
	x, heard := &s.CO2.X, s.CO2.Taken >= enoughTaken
	p := func(i, j int) float64 { return s.CO2.P[i*cStates+j] }
	flow, leak := 3600*math.Exp(x[cFlow]), 3600*math.Exp(x[cLeak])
	fanned := heard && s.FanRuns > 120
	// together is the relative variance of a·flow + leak.
	together := func(a float64) float64 {
		f, l := a*flow, leak
		sum := f + l
		return (f*f*p(cFlow, cFlow)+l*l*p(cLeak, cLeak)+2*f*l*p(cFlow, cLeak))/(sum*sum) + flowRest*flowRest
	}
	ran := s.Recent.Sum()
	share := math.Min(1, ran.FanOn/math.Max(ran.Passed, 1))
	k.FanOn = learned(flow+leak, together(1), flowSD, fanned)
	k.FanM3PerH = learned(flow*volume, p(cFlow, cFlow)+flowRest*flowRest, flowSD, fanned)
	k.FanOff = learned(leak, p(cLeak, cLeak), leakSD, heard)
	k.ChangesPerH = learned(flow*share+leak, together(share), flowSD, heard)
	cos, sin := day(s.At)
	of := [...]struct {
		i  int
		by float64
	}{{cMade, 1}, {cCos, cos}, {cSin, sin}}
	excess := math.Max(3600*s.made(cos, sin)/k.ChangesPerH.Value, apartLeast) // in the mean
	made := co2Rest*co2Rest + (apartRest/excess)*(apartRest/excess)
	for _, a := range of {
		for _, b := range of {
			made += a.by * b.by * p(a.i, b.i)
		}
	}
	k.CO2MeanGPerH = 3600 * math.Exp(x[cMade]) * gramsPerPPM(s.AirC, altitude) * volume
	k.CO2GPerH = learned(3600*s.made(cos, sin)*gramsPerPPM(s.AirC, altitude)*volume, made, madeSD, heard)
	room, doubt := s.roomCO2()
	k.RoomCO2 = learned(room, doubt/(room*room), roomSD/roomCO2, heard)
	k.CO2LagS = learned(math.Exp(x[cLag]), p(cLag, cLag), co2LagSD, heard)
	k.CO2NoisePPM = math.Sqrt(s.CO2.Noise)
	k.DailySwing = math.Hypot(x[cCos], x[cSin])
	k.DailyPeakH = math.Mod(math.Atan2(x[cSin], x[cCos])/(2*math.Pi)*24+24, 24)
	return k
}

// gramsPerPPM is the CO2 in a cubic meter of air at that temperature and altitude for each ppm.
func gramsPerPPM(celsius, altitude float64) float64 {
	p, ok := air.BarometricPressure(air.Meters(altitude))
	if !ok {
		p = 101325
	}
	d, ok := air.CO2Density(air.Celsius(celsius), p)
	if !ok {
		return perPPMGram
	}
	return float64(d) * 1e-6
}

// addWater is what the water filter knows. The water balance rests on the air moved, whose uncertainty is added.
func (k *Knowledge) addWater(s *State, volume float64) {
	x := &s.Water.X
	p := func(i int) float64 { return s.Water.P[i*wStates+i] }
	moved := k.ChangesPerH.RelativeSD * k.ChangesPerH.RelativeSD
	enough := s.Water.Taken >= 4*enoughTaken && s.Recent.Sum().MistOn > 0
	mist := 3600 * volume * math.Exp(x[wMist]) * given(s.Recent.Sum())
	variance := p(wMist) + moved + mistRest*mistRest
	k.MistGPerH = learned(mist, variance, mistSD+0.1, enough)
	k.VaporGPerH = learned(mist*(1-plumeLoss-lossBelieved*(x[wLoss]-plumeLoss)), variance+vaporRest*vaporRest, mistSD+0.1, enough)
	k.RHLagS = learned(math.Exp(x[wLag]), p(wLag), rhLagSD, s.Water.Taken >= enoughTaken)
	if p(wRoom) > roomRHSeen*roomRHSeen {
		k.MistGPerH.RelativeSD = math.Hypot(k.MistGPerH.RelativeSD, UnmeasuredMist)
		k.VaporGPerH.RelativeSD = math.Hypot(k.VaporGPerH.RelativeSD, UnmeasuredMist)
		k.RoomRH = learned(100*x[wRoom], p(wRoom)/(x[wRoom]*x[wRoom])+roomRHRest*roomRHRest, roomRHSD/x[wRoom], enough)
		k.RoomRH.RelativeSD = math.Hypot(k.RoomRH.RelativeSD, unmeasuredRoom)
	}
	lack := saturation(s.CropC) - x[wVapor]
	k.CropGPerH = learned(3600*volume*math.Exp(x[wCrop])*lack, p(wCrop)+0.15*0.15, cropSD, enough)
}

// given is the share of its full output that the humidifier gave while it was switched on: it takes a while to spin up.
func given(r Runs) float64 {
	if r.MistOn < 1 {
		return 1
	}
	return math.Max(0.3, math.Min(r.MistFull/r.MistOn, 1.2))
}

// Gap names what cannot be known of a chamber for want of a sensor.
type Gap string

// The gaps.
const (
	NoCO2       Gap = "no_co2"       // neither air moved nor the crop's CO2 can be told; the labels are believed
	NoRoomCO2   Gap = "no_room_co2"  // the room's CO2 is guessed: leak and generation are less sure
	NoHumidity  Gap = "no_humidity"  // nothing of water can be told
	OneHumidity Gap = "one_humidity" // an error of the only humidity sensor cannot be told from the air's own
	NoRoomRH    Gap = "no_room_rh"   // the room's vapor is learned with the rest: mist and evaporation are less sure
)

// Gaps gives what cannot be known of a chamber with these sensors.
func Gaps(spec *chamber.Spec) (gaps []Gap) {
	n := func(q chamber.Quantity, p chamber.Place) (n int) {
		for i := range spec.Sensors {
			if x := &spec.Sensors[i]; x.Quantity == q && x.Place == p {
				n++
			}
		}
		return n
	}
	switch {
	case n(chamber.CO2, chamber.Inside) == 0:
		gaps = append(gaps, NoCO2)
	case n(chamber.CO2, chamber.Room) == 0:
		gaps = append(gaps, NoRoomCO2)
	}
	switch n(chamber.RelativeHumidity, chamber.Inside) {
	case 0:
		gaps = append(gaps, NoHumidity)
	case 1:
		gaps = append(gaps, OneHumidity)
	}
	if n(chamber.RelativeHumidity, chamber.Inside) > 0 && n(chamber.RelativeHumidity, chamber.Room) == 0 {
		gaps = append(gaps, NoRoomRH)
	}
	return gaps
}

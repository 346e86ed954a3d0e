package learn

import (
	"math"
	"time"
)

// The values of the water filter. Those up to wMoving change with the air, the rest only as they grow old.
const (
	wVapor = iota // g/m³
	wDrops        // g/m³
	wFilm         // g/m³
	wAirC         // °C
	wSeen         // relative humidity behind the sensor's lag
	wWarm         // °C behind it
	wMist         // ln of g/m³s at full output
	wCrop         // ln of the exchange with the crop, 1/s
	wHeat         // ln of the exchange of heat with surfaces, 1/s
	wLoss         // share of the mist that hits a wall at once
	wRoom         // relative humidity of the room
	wLag          // ln of their lag in seconds
	wExtra        // K/s by which lamp and what else there is warm the air
	wHeavy        // ln of how many times as much heat the air takes to warm as it would alone, for what is as warm as it: sheets, bags, shelves
	wWets         // ln of the exchange of vapor with wet walls over what it is by Lewis: of how much of them can be wet at all
	wFog          // ln of the share of droplets that evaporates a second for each g/m³ that the air lacks
	wGive         // g/m³s of vapor that nothing else here accounts for, or less than none
	wStates
	wMoving = wWarm + 1
)

// What is assumed of water at first, with its standard deviation, relative but for shares. All common practice but
// where said.
const (
	airborne, mistSD = 0.95, 0.25 // of a rating
	mostOfRated      = 1.5        // no humidifier gives more than that of its rating
	plumeLoss        = 0.25
	lossSD           = 0.09
	firstCrop        = 0.004
	cropSD           = 0.4
	firstHeat        = 0.025
	heatSD           = 0.35
	heatLeast        = 0.012 // 1/s
	heatInDoubt      = 0.65  // of what is typical: the least where nobody measures the room, for which wet walls are then taken
	wallShare        = 0.95  // exchange of vapor with wet walls over that of heat with all surfaces, by Lewis and area
	filmFull         = 4.0 * 6.7
	filmSome         = 0.5
	roomRHSD         = 0.12    // of a room that nobody measures
	roomRHWander     = 4e-8    // variance a second: three points in six hours, by weather and windows
	roomRHMost       = 0.3     // beyond what it is taken for, to either side: what is further off is not the room
	rhLagS, rhLagSD  = 45, 0.6 // from bare chips in moving air to closed housings
	extraSD          = 0.005
	// Thin sheets and bags, a humidifier's plume that wets things first: air takes one to several times the heat that it alone would to
	// warm. In a chamber whose contents all follow the air it is ten times. Held looser, at 0.6, it is found there, and elsewhere takes the
	// place of what mist gives: that was then learned wrong by 25 % in the median at pinning, not by 12 to 14 %.
	heavy, heavySD = 0.15, 0.09
	heavyMost      = 2.7
	// Readings beyond the first heavyLearned move that less and less, down to heavyLeast of what they would: it stays what it is, and that
	// mist no longer cools the air shows that there is none.
	heavyLearned, heavyLeast    = 3000, 0.005
	wetsSD, wetsLeast, wetsMost = 0.3, -3, 0.7 // plastic sheds water, cloth and fins hold it
	// By the d² law droplets of 12 µm evaporate at 1.0 in still air, of 17 µm at half of that (see [plant.Params]); in the dense fog of a
	// plume, which is damper than the air around it, they take longer.
	firstFog, fogSD = 0.5, 0.7
	giveSD          = 1e-4
	giveWander      = 1e-8  // variance a second: walls and crop are not as these equations have them
	giveFades       = 900.0 // s
	mistWatts       = 16.0  // of a humidifier of one disc, at once: the rest warms its water first, and the air over hours
	warmSD          = 0.25  // °C, of a reading: a thermometer's lag is not quite that of the sensor of humidity beside it
	warmLikelySD    = 0.12  // the same where two views of one chamber are compared, which share that
	rhSD, rhLeastSD = 0.013, 0.008
	wetSD           = 0.06 // of a humidity reading at the end of its range: it may be a wet sensor
	wetFrom         = 0.985
	wetForeseen     = 0.97
	wetLongest      = 5 * time.Minute // for which fog may leave a sensor at the end of its range
	// A filter is lost when readings lie off to one side by lostFrom standard deviations in the mean of the last 20 or so, none
	// counted for more than lostClip.
	lostFrom, lostClip, lostShare = 6.0, 12.0, 0.05
	// A door that made it so is found within half an hour, and until then nothing is learned of the chamber. What goes on is
	// another chamber, above all one whose humidifier gives nothing. Lost for longer apart it is lost anew.
	lostHolds, lostOver = 30 * time.Minute, 2 * time.Hour
	foundGiveSD         = 0.005
	// misfitLongest is for how long a filter may go on that does not fit. Time in which mist should show and does not counts for so
	// many times as much: that the humidifier gives nothing is the likeliest reason of all.
	misfitLongest = 90 * time.Minute
	misfitDry     = 2
	misfitStep    = 120.0 // s, the most that a reading stands for
	// misfitLess is by how much less than its label says a humidifier is then taken to give, natural logarithm, and misfitSD how
	// surely.
	misfitLess, misfitSD = 2.0, 1.5
	// Once it is known again to misfitKnown, and within misfitSame of what it was, it is taken for that, both natural logarithms.
	misfitKnown, misfitSame = 0.3, 0.7
	// Until then it is believed to give no less than that, natural logarithm, and no more surely.
	misfitMost, misfitOpen = 4.5, 0.8
	// Creep is none below the one and all of it from the other on; see [CreepMost].
	creepFrom, creepFull = 0.85, 0.95
	// Of the lag, readings up to lagYoung tell the more the later they come, in proportion: as long as mist, room and surfaces are guesses,
	// a slow sensor accounts for whatever they leave, and is soon believed in. In chambers whose air was as slow to warm as their walls a
	// lag of 25 s was learned as 300, and by it humidity was kept three points too high.
	lagYoung = 1000.0
	massK    = 6.0 // K by which air may differ from the surfaces around it
)

// Of surfaces, as typical: per cubic meter of a chamber of 1 m³; common practice.
const (
	wallArea   = 6.7  // m²
	wallRoomW  = 3.5  // to the room, W/m²K
	wallJ      = 1700 // J/m²K
	wallHeat   = 0.8  // share of the walls in the exchange of heat with all surfaces
	cropJ      = 9.5e4
	airJ       = 1205 // J/m³K
	latentJ    = 2455 // J/g
	burnJ      = 10_620
	perPPMGram = 1.83e-3 // g of CO2 in a cubic meter for each ppm, at sea level and 20 °C
)

func (s *State) water() filter { return filter{s.Water.X[:], s.Water.P[:]} }

// beginWater starts from the labels.
func (s *State) beginWater(f *Facts) {
	mist := f.RatedMist
	if mist <= 0 {
		mist = 300
	}
	w := s.water()
	sat := saturation(f.AirC)
	w.lead(wVapor, 0.85*sat, 0.1*sat)
	w.lead(wDrops, 0, 0.1)
	w.lead(wFilm, 0.3, 0.5)
	w.lead(wAirC, f.AirC, 0.3)
	w.lead(wSeen, 0.85, 0.2)
	w.lead(wWarm, f.AirC, 0.3)
	w.lead(wMist, math.Log(mist*airborne/f.VolumeM3/3600), mistSD)
	w.lead(wCrop, math.Log(firstCrop), cropSD)
	w.lead(wHeat, math.Log(firstHeat/math.Cbrt(f.VolumeM3/0.56)), heatSD)
	w.lead(wLoss, plumeLoss, lossSD)
	w.lead(wRoom, RoomRH(f.RoomC), roomRHSD)
	s.followRoom(f)
	w.lead(wLag, math.Log(rhLagS), rhLagSD)
	w.lead(wExtra, 0, extraSD)
	w.lead(wHeavy, heavy, heavySD)
	w.lead(wWets, 0, wetsSD)
	w.lead(wFog, math.Log(firstFog), fogSD)
	w.lead(wGive, 0, giveSD)
	s.Water.Noise = rhSD * rhSD
	s.WallC, s.CropC = 0.7*f.AirC+0.3*f.RoomC, f.AirC
}

// meet takes the first temperature that is read for that of air, walls and crop. Until then it was what is wanted, or typical: in a
// cold cellar or under a roof blocks that begin eight kelvins off would be so for hours, and all else be learned to make up for it.
func (s *State) meet(f *Facts) {
	if s.Met || len(f.AirCs) == 0 {
		return
	}
	w, c := s.water(), mean(f.AirCs)
	sat := saturation(c)
	if f.roomDark {
		f.RoomC = c
		if f.RoomRH <= 0 {
			w.restart(wRoom, RoomRH(c), roomRHSD)
		}
	}
	s.Met, s.AirC, s.HourC, s.HourW, s.HourWK = true, c, c, 0, 0
	s.WallC, s.CropC = 0.7*c+0.3*f.RoomC, c
	w.restart(wVapor, w.x[wSeen]*sat, 0.1*sat)
	w.restart(wAirC, c, 0.3)
	w.restart(wWarm, c, 0.3)
}

var nudgeWater = [wStates]float64{0.01, 0.005, 0.01, 0.01, 0.001, 0.01, 0.01, 0.01, 0.01, 0.01, 0.01, 0.01, 0.001, 0.01, 0.01, 0.01, 0.001}

// passWater lets dt seconds pass with humidifier and fan at those shares of full output. How each value's end depends on
// each value is found by nudging them one by one.
//
//go:norace
func (s *State) passWater(base *Constants, mist, fan, dt float64) {
	h := dt / 3600
	q := [wStates]float64{0.0006 * dt, 0.0002 * dt, 0.0005 * dt, 0.0002 * dt, 1e-7 * dt, 1e-5 * dt, 0.002 * h, 0.002 * h, 0.002 * h,
		1e-5 * h, roomRHWander * dt, 1e-5 * h, 2e-6 * h, 1e-5 * h, 1e-5 * h, 1e-4 * h, giveWander * dt}
	p := waterPass{k: *base, mist: mist, fan: fan, dt: dt}
	p.rate, p.kept = base.exchange(fan, dt)
	p.k.setWater(s.Water.X[:])
	p.set(wLag, s.Water.X[wLag])
	end := s.Water.X
	p.move(&end)
	var jac [wStates * wStates]float64
	for j := range wStates {
		bent := s.Water.X
		nudge := nudgeWater[j]
		if j == wFilm && bent[j] >= filmSome { // of water off the walls: more of it than wets them all over changes nothing
			nudge = -nudge
		}
		bent[j] += nudge
		if j < wMoving {
			p.move(&bent)
		} else {
			of := p
			of.set(j, bent[j])
			of.move(&bent)
		}
		for i := range wStates {
			jac[i*wStates+j] = (bent[i] - end[i]) / nudge
		}
	}
	s.water().carry(end[:], jac[:], q[:])
}

// waterPass is what stays the same while the values of the water filter move over a step.
type waterPass struct {
	k             Constants
	mist, fan, dt float64
	rate, kept    float64 // of air, see [Constants.exchange]
	follow        float64 // share of the way to the air that the sensor goes
}

// set works out what hangs on value j, which does not move over the step.
//
//go:norace
func (p *waterPass) set(j int, x float64) {
	if j == wLag {
		p.follow = 1 - math.Exp(-p.dt/math.Exp(x))
		return
	}
	p.k.set(j, x)
}

// move carries the values over the step.
//
//go:norace
func (p *waterPass) move(x *[wStates]float64) {
	a := Air{Vapor: x[wVapor], Droplets: max(0, x[wDrops]), Film: max(0, x[wFilm]), AirC: x[wAirC]}
	a.water(&p.k, p.mist, p.fan, p.rate, p.kept, p.dt)
	x[wGive] *= 1 - p.dt/giveFades
	x[wVapor], x[wDrops], x[wFilm], x[wAirC] = a.Vapor, a.Droplets, a.Film, a.AirC
	x[wSeen] += (a.Vapor/p.k.full(a.AirC) - x[wSeen]) * p.follow
	x[wWarm] += (a.AirC - x[wWarm]) * p.follow
}

// followRoom takes what is measured of the room's humidity for its, where it is. Where it is not, what fan and leak do to the
// chamber's air shows by and by how damp the air is that comes in.
func (s *State) followRoom(f *Facts) {
	if f.RoomRH > 0 {
		s.water().restart(wRoom, f.RoomRH, 0)
	}
}

// passSurfaces lets walls and crop take the temperature that air, room, evaporation and the crop's own heat give them.
//
//go:norace
func (s *State) passSurfaces(k *Constants, fan, seconds float64) {
	w := &s.Water.X
	stir := 1 + stirred*fan
	heat := k.Heat * stir * airJ // W/m³K
	area := wallArea / k.size
	wet := math.Min(1, math.Sqrt(math.Max(0, w[wFilm])/k.FilmFull))
	if w[wVapor] > k.wallSat {
		wet = 1
	}
	u := wallRoomW * area
	toWall := wallHeat*heat*(w[wAirC]-s.WallC) + u*(k.RoomC-s.WallC) + latentJ*k.Wall*stir*wet*(w[wVapor]-k.wallSat)
	s.WallC += seconds * toWall / (wallJ*area + seconds*(u+wallHeat*heat))
	toCrop := (1-wallHeat)*heat*(w[wAirC]-s.CropC) + latentJ*k.Crop*stir*(w[wVapor]-k.cropSat) + burnJ*perPPMGram*k.CO2Rate
	s.CropC += seconds * toCrop / (cropJ + seconds*(1-wallHeat)*heat)
	limit(&s.WallC, math.Min(w[wAirC], k.RoomC)-3, math.Max(w[wAirC], k.RoomC)+3)
	limit(&s.CropC, w[wAirC]-3, w[wAirC]+3)
}

// CreepMost and CreepH are by how much a capacitive sensor of humidity is taken to read high once it has stood near saturation, and within
// how many hours. Such sensors read high by one to three points then, and take as long to recover (makers' data sheets, from memory). The
// least that is usual of it, and a little more, is taken off: it cannot be told from water, and not every sensor does so.
const CreepMost, CreepH = 0.0125, 6.0

// passCreep lets dt seconds pass for the sensors' creep.
func (s *State) passCreep(dt float64) {
	goal := CreepMost * math.Max(0, math.Min((s.Water.X[wSeen]-creepFrom)/(creepFull-creepFrom), 1))
	s.Creep += (goal - s.Creep) * (1 - math.Exp(-dt/(CreepH*3600)))
}

//go:norace
func (k *Constants) setWater(x []float64) {
	for j := wMoving; j < wStates; j++ {
		k.set(j, x[j])
	}
}

// set works out what hangs on value j of the water filter.
//
//go:norace
func (k *Constants) set(j int, x float64) {
	switch j {
	case wMist:
		k.MistRate = math.Exp(x)
	case wCrop:
		k.Crop = math.Exp(x)
	case wHeat:
		k.Heat = math.Exp(x)
		k.Wall = wallShare * k.Heat * k.wets
	case wLoss:
		k.Loss = max(0, min(x, 1))
	case wRoom:
		k.RoomV = max(0, min(x, 1)) * k.roomSat
	case wExtra:
		k.Extra = x
	case wHeavy:
		k.Light = math.Exp(-x)
	case wWets:
		k.wets = math.Exp(x)
		k.Wall = wallShare * k.Heat * k.wets
	case wFog:
		k.Fog = math.Exp(x)
	case wGive:
		k.Give = x
	}
}

// takeWater takes in fresh readings of humidity and temperature. While air goes other ways than usual, and for a while after the
// filter was lost, they tell what the air is, and nothing of the chamber.
func (s *State) takeWater(f *Facts) {
	if f.astray() || s.At.Sub(s.LostFrom) < lostHolds {
		before := s.Water
		defer func() {
			for i := wMist; i < wGive; i++ {
				s.Water.X[i] = before.X[i]
				copy(s.Water.P[i*wStates+wMist:i*wStates+wGive], before.P[i*wStates+wMist:])
			}
		}()
	}
	s.takeWarmth(f)
	for _, z := range f.RH {
		if z >= wetFrom {
			s.takeWet(z, f.Now)
			continue
		}
		s.WetSince = time.Time{}
		z -= s.Creep
		s.watchWater(z, f.Now)
		if s.strays(z) {
			s.findAgain(z, f)
			continue
		}
		s.takeHumidity(z, f.Now)
	}
}

// takeHumidity takes in a reading of humidity that may be believed.
func (s *State) takeHumidity(z float64, now time.Time) {
	w := s.water()
	lag, heavy := w.hold(wLag), w.hold(wHeavy)
	s.Water.take(w, []weight{{wSeen, 1}}, z-s.Water.X[wSeen], rhLeastSD*rhLeastSD, rhSD*rhSD, now)
	w.heed(lag, min(float64(s.Water.Taken)/lagYoung, 1))
	w.slow(heavy, s.heavyHeeds())
}

// strays follows by how much readings lie off to one side of what is foreseen, and reports whether the filter is lost: sure of
// dense fog that is not there, each reading by itself moves it nowhere.
func (s *State) strays(z float64) bool {
	w := &s.Water
	off := (z - w.X[wSeen]) / math.Sqrt(w.Noise+math.Max(0, w.P[wSeen*wStates+wSeen]))
	s.Off += lostShare * (math.Max(-lostClip, math.Min(off, lostClip)) - s.Off)
	return math.Abs(s.Off) > lostFrom
}

// findAgain starts the moving values anew from what is read. What is known of the chamber stays.
func (s *State) findAgain(z float64, f *Facts) {
	w := s.water()
	sat := saturation(f.AirC)
	w.restart(wVapor, math.Min(z, 1)*sat, 0.05*sat)
	w.restart(wDrops, 0, 0.1)
	w.restart(wFilm, w.x[wFilm], 0.3+w.x[wFilm]/2)
	w.restart(wAirC, f.AirC, 0.3)
	w.restart(wSeen, z, 0.02)
	w.restart(wWarm, f.AirC, 0.3)
	w.restart(wGive, w.x[wGive], foundGiveSD)
	if f.Now.Sub(s.LostAt) > lostOver {
		s.LostFrom = f.Now
	}
	s.Off, s.LostAt, s.Water.Last = 0, f.Now, f.Now
}

// fit lets time pass over a filter that does not fit, and starts it anew from the labels when that has lasted: what a chamber
// teaches by readings that nothing foresees it teaches wrongly, and the surer the longer it goes on. What the humidifier gives is
// then anybody's guess. It starts from little: mist that shows is soon believed in, but a filter that foresees fog where there is
// none takes each reading for an outlier. The mean surprise before this step's readings shows whether they surprise too, where it
// is long in falling.
func (s *State) fit(f *Facts, before float64) {
	w := s.water()
	sd := math.Sqrt(math.Max(0, s.Water.P[wMist*wStates+wMist]))
	if s.MistWas != 0 && w.x[wMist] < s.MistWas-misfitSame {
		w.x[wMist] = math.Max(w.x[wMist], s.MistWas-misfitMost)
		if sd < misfitOpen { // of a humidifier that is believed to give nothing, readings could never tell otherwise
			w.restart(wMist, w.x[wMist], misfitOpen)
		}
	}
	if f.astray() || s.Water.Odd < leastCalm {
		s.Misfit = 0
		if s.MistWas != 0 && s.Fits() && sd < misfitKnown && math.Abs(w.x[wMist]-s.MistWas) < misfitSame {
			w.restart(wMist, s.MistWas, givenSD) // it is the humidifier that it was
			s.MistWas = 0
		}
		return
	}
	if s.Water.Odd == before || s.Water.Odd-(1-oddShare)*before < oddShare*leastCalm { // readings at the end of their range say nothing of it
		return
	}
	if s.Misfit == 0 { // from here on it is taught wrongly
		s.MistBefore = w.x[wMist]
	}
	seconds := math.Min(f.Now.Sub(s.MisfitAt).Seconds(), misfitStep)
	s.MisfitAt = f.Now
	if s.MistTo > 0 && s.Off < 0 {
		seconds *= misfitDry
	}
	s.Misfit += seconds
	if s.Misfit >= misfitLongest.Seconds() {
		s.Water.P, s.Water.Taken, s.Water.Odd = [wStates * wStates]float64{}, 0, 0
		s.Misfit, s.Off, s.LostAt, s.LostFrom = 0, 0, f.Now, time.Time{}
		if s.MistWas == 0 {
			s.MistWas = s.MistBefore
		}
		s.beginWater(f)
		w.lead(wMist, w.x[wMist]-misfitLess, misfitSD)
	}
}

// takeWet takes in a reading at the end of the sensor's range. It says that the air is at least so damp: where it is foreseen
// to be damper still, nothing is learned and nothing gets surer, for fog of any density reads the same. It may come of water
// on the sensor, but not for longer than such water takes to dry: until then it is hardly heard. Where such air was foreseen the first
// one is; by the next the fan may have taken it off, and to believe that would be to believe that the fan dries nothing.
func (s *State) takeWet(z float64, now time.Time) {
	seen := s.Water.X[wSeen]
	if s.WetSince.IsZero() {
		s.WetSince = now
	}
	switch {
	case seen >= min(z, 1):
		s.Water.Last = now
	case now.Sub(s.WetSince) < wetLongest && (seen < wetForeseen || now.After(s.WetSince)):
		s.water().update(wSeen, z, wetSD, gate)
		s.Water.Last = now
	default:
		s.takeHumidity(z, now)
	}
}

// takeWarmth takes in those of temperature. They tell how much water evaporates, by its cooling.
func (s *State) takeWarmth(f *Facts) {
	for _, z := range f.AirCs {
		w := s.water()
		heavy := w.hold(wHeavy)
		w.update(wWarm, z, warmSD, gate)
		w.slow(heavy, s.heavyHeeds())
	}
}

// heavyHeeds is the share of what readings say of what is as warm as the air that is believed.
func (s *State) heavyHeeds() float64 {
	return max(heavyLeast, min(heavyLearned/float64(max(s.Water.Taken, 1)), 1))
}

// boundWater keeps what is known to lie somewhere there.
func (s *State) boundWater(f *Facts) {
	w := &s.Water.X
	sat := saturation(w[wAirC])
	limit(&w[wVapor], 0.05*sat, 1.02*sat)
	limit(&w[wDrops], 0, 10)
	limit(&w[wFilm], 0, filmFull/math.Cbrt(f.VolumeM3)) // more shows nothing, until it has gone
	limit(&w[wAirC], s.AirC-massK, s.AirC+massK)
	limit(&w[wWarm], s.AirC-massK, s.AirC+massK)
	limit(&w[wExtra], -0.02, 0.05)
	limit(&w[wHeavy], 0, heavyMost)
	limit(&w[wWets], wetsLeast, wetsMost)
	limit(&w[wFog], math.Log(0.01), math.Log(2))
	limit(&w[wGive], -0.03, 0.03)
	limit(&w[wMist], math.Log(5e-4), math.Log(3))
	if f.RatedMist > 0 { // saturated air hides what the humidifier gives, and then it could be anything
		w[wMist] = math.Min(w[wMist], math.Log(mostOfRated*f.RatedMist/f.VolumeM3/3600))
	}
	limit(&w[wCrop], math.Log(1e-3), math.Log(0.03))
	limit(&w[wHeat], math.Log(heatLeast), math.Log(0.1))
	limit(&w[wLoss], 0.1, 0.5)
	if f.RoomRH <= 0 {
		limit(&w[wRoom], RoomRH(f.RoomC)-roomRHMost, RoomRH(f.RoomC)+roomRHMost)
		w[wHeat] = math.Max(w[wHeat], math.Log(heatInDoubt*firstHeat/math.Cbrt(f.VolumeM3/0.56)))
	}
	limit(&w[wLag], math.Log(2), math.Log(300))
}

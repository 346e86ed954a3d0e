package learn

import (
	"math"
	"time"
)

// The values of the CO2 filter.
const (
	cCO2   = iota // ppm
	cSeen         // ppm behind the sensor's lag
	cFlow         // ln of the fan's air changes a second
	cLeak         // ln of the leaks'
	cMade         // ln of ppm a second, the mean of a day
	cRoom         // ppm, as the chamber's sensor would show it
	cApart        // ppm that the room's sensor shows more than the chamber's
	cLag          // ln of the sensor's lag in seconds
	cLate         // seconds by which its readings are older than the fan's reports, besides
	cCos          // of the daily course of cMade
	cSin
	cMood // ppm by which a room that nobody measures is off cRoom for an hour or so
	cStates
)

// What is assumed of air and CO2 at first, with its relative standard deviation. All common practice but where said.
const (
	installedFlow, flowSD = 0.68, 0.35 // of a rating, through duct and filter
	firstLeak, leakSD     = 0.5, 0.6   // air changes an hour
	firstMade, madeSD     = 1200, 1.0  // ppm an hour
	roomCO2, roomSD       = 480, 90
	apartSD               = 30 // ppm between two sensors in the same air
	co2LagS, co2LagSD     = 75, 0.5
	lateSD                = 1   // seconds: plugs and sensors speak through other radios, programs and queues
	dailySD               = 0.1 // of the daily course, cosine and sine each
	co2SD, roomNew        = 13, 20
)

var lnFirstLeak = math.Log(firstLeak / 3600.0)

// How fast what is known of air and CO2 grows old, as variance an hour where nothing else is said.
const (
	co2Wander  = 0.03 // ppm² a second: air that is not quite mixed
	flowWander = 3e-4
	madeWander = 1e-3
	roomWander = 100  // ppm²: by which a measured room differs from what its sensor shows
	apartFades = 0.5  // ppm²
	roomBack   = 24.0 // hours in which an unmeasured room returns to what rooms are
	leakBack   = 24.0 // the same of a leak that nothing tells of: where the fan moves nearly all the air, none does for days
)

// Where a filter assumes more noise in the air than there is, what it learns of the sensor's lag creeps, and flow and generation
// with it, which tell the same story of the air at any lag (L. Ljung, IEEE Trans. Automatic Control 24, 1979, p. 36: the gain's own
// dependence on what is learned is left out). More noise must be assumed, for rooms and crops have their moods; but a lag is the
// sensor's own and stays, so readings beyond the first lagLearned move it less and less, down to lagLeast of what they would.
const (
	lagLearned = 3000
	lagLeast   = 0.05
)

// Of the lag, readings up to youngTaken tell the more the later they come, in proportion: the first ones are understood by guesses that
// may be far off, and a filter that is linear around its guess would be sure of what it made of them.
const youngTaken = 6000

// What is taken for the room follows its sensor. That it moves is measured, not guessed: a room that might be anywhere a minute later
// would leave the fan's flow to creep, as above. But a sensor's own noise, followed within minutes, is taken for what the fan draws in,
// and the fan for one that moves too little, by a third where the chamber is kept close to the room. So a mean over roomMean seconds
// says where the room is to within roomNear ppm, three times what is left of a common sensor's noise in it, and within that it is
// followed in roomFollows seconds.
const (
	roomMean    = 120.0
	roomFollows = 900.0
	roomNear    = 15.0
)

// RoomHigh is what a room holds, in ppm, that has a source of its own, and changes by more than a fan makes.
const RoomHigh = 2500.0

// muteAfter: what such a room does, and what two sensors are apart there, is a hundred times what fan and crop do to the
// chamber: learned by it, air changes and crop would be whatever makes up for that, and the water that the fan carries off with
// them. A fan that fails teaches as much that is wrong. So that is waited for, and so long until the chamber is as ever.
const muteAfter = 45 * time.Minute

// muted reports whether CO2 bears no witness of fan and crop now.
func (f *Facts) muted() bool { return f.RoomCO2 > RoomHigh || f.astray() }

// mute reports whether CO2 bears no witness now, or did not a short while ago.
func (s *State) mute() bool { return !s.Mute.IsZero() && s.At.Sub(s.Mute) < muteAfter }

func (s *State) co2() filter { return filter{s.CO2.X[:], s.CO2.P[:]} }

// beginCO2 starts from the labels.
func (s *State) beginCO2(f *Facts) {
	flow := f.RatedFlow
	if flow <= 0 {
		flow = 60
	}
	room := float64(roomCO2)
	if f.RoomCO2 > 0 {
		room = f.RoomCO2
	}
	c := s.co2()
	c.lead(cCO2, 800, 300)
	c.lead(cSeen, 800, 300)
	c.lead(cFlow, math.Log(flow*installedFlow/f.VolumeM3/3600), flowSD)
	c.lead(cLeak, lnFirstLeak, leakSD)
	c.lead(cMade, math.Log(firstMade/3600.0), madeSD)
	c.lead(cRoom, room, roomSD)
	c.lead(cApart, 0, apartSD)
	c.lead(cLag, math.Log(co2LagS), co2LagSD)
	c.lead(cLate, 0, lateSD)
	c.lead(cCos, 0, dailySD)
	c.lead(cSin, 0, dailySD)
	c.lead(cMood, 0, s.Views.mood())
	s.CO2.Noise = co2SD * co2SD
}

// day gives the cosine and sine of the time of day.
func day(now time.Time) (c, s float64) {
	const length = 24 * 60 * 60
	s, c = math.Sincos(2 * math.Pi * float64(now.Unix()%length) / length)
	return c, s
}

// roomCO2 is the room's CO2 now in ppm, as the chamber's sensor would show it, and its variance.
func (s *State) roomCO2() (ppm, variance float64) {
	p := func(i, j int) float64 { return s.CO2.P[i*cStates+j] }
	return s.CO2.X[cRoom] + s.CO2.X[cMood], p(cRoom, cRoom) + p(cMood, cMood) + 2*p(cRoom, cMood)
}

// made is the crop's CO2 in ppm a second at that time of day.
func (s *State) made(cos, sin float64) float64 {
	x := &s.CO2.X
	return math.Exp(x[cMade] + x[cCos]*cos + x[cSin]*sin)
}

// passCO2 lets dt seconds pass with the fan at that share of full speed. The balance is V dC/dt = Q (Croom - C) + G,
// the tracer decay of ASTM E741 with its steady state fitted along; behind it the sensor as a first-order lag.
//
//go:norace
func (s *State) passCO2(now time.Time, fan, dt float64) {
	x := &s.CO2.X
	cos, sin := day(now)
	flow, leak, g := math.Exp(x[cFlow])*fan, math.Exp(x[cLeak]), s.made(cos, sin)
	rate := flow + leak
	stay := staying(rate * dt)
	steady := x[cRoom] + x[cMood] + g/rate
	end := steady + (x[cCO2]-steady)*stay
	tau := math.Exp(x[cLag])
	k := dt / (tau + dt/2)
	middle := (x[cCO2] + end) / 2

	var jac [2][cStates]float64
	byRate := -g/(rate*rate)*(1-stay) - (x[cCO2]-steady)*dt*(1+rate*dt)*stay*stay
	byMade := g * (1 - stay) / rate
	to := &jac[0]
	to[cCO2], to[cRoom], to[cMood] = stay, 1-stay, 1-stay
	to[cFlow], to[cLeak] = byRate*flow, byRate*leak
	to[cMade], to[cCos], to[cSin] = byMade, byMade*cos, byMade*sin
	for i := range to {
		jac[1][i] = k / 2 * to[i]
	}
	jac[1][cCO2] += k / 2
	jac[1][cSeen] = 1 - k
	jac[1][cLag] = -(middle - x[cSeen]) * dt * tau / ((tau + dt/2) * (tau + dt/2))

	h := dt / 3600
	wander := wanderCO2(h)
	wander[cCO2], wander[cSeen] = co2Wander*dt, 0.001*dt
	x[cSeen] += (middle - x[cSeen]) * k
	x[cCO2] = end
	keep := [...]keeping{{cLeak, revert(&x[cLeak], &wander[cLeak], lnFirstLeak, leakSD, h, leakBack)}, {cRoom, 1}, {cMood, 1}}
	if s.RoomUnseen {
		keep[1].share = revert(&x[cRoom], &wander[cRoom], roomCO2, roomSD, h, roomBack)
		keep[2].share = revert(&x[cMood], &wander[cMood], 0, s.Views.mood(), h, moodBack)
	}
	passTwo(&s.CO2.P, &jac, &wander, &keep)
}

// revert has a value that nothing may tell of return within so many hours toward what it was first taken for, and become as unsure as it
// was then. It gives the share that the value keeps of itself in h hours.
func revert(x, wander *float64, first, sd, h, hours float64) (keep float64) {
	keep = 1 - h/hours
	*x += (first - *x) * (1 - keep)
	*wander = sd * sd * 2 * h / hours
	return keep
}

// wanderCO2 is the variance by which what is learned of air and CO2 grows old in so many hours.
func wanderCO2(h float64) [cStates]float64 {
	return [cStates]float64{cFlow: flowWander * h, cMade: madeWander * h,
		cRoom: roomWander * h, cApart: apartFades * h, cLag: 1e-5 * h, cCos: 2e-5 * h, cSin: 2e-5 * h}
}

// ageCO2 lets it grow old by so many seconds in which nothing is learned.
func (s *State) ageCO2(dt float64) {
	for i, v := range wanderCO2(dt / 3600) {
		s.CO2.P[i*(cStates+1)] += v
	}
	room := &s.CO2.P[cRoom*(cStates+1)]
	*room = min(*room, roomSD*roomSD)
}

// staying is the share of air that q air changes leave in place: e^-q, good to q³/6.
func staying(q float64) float64 { return 1 / (1 + q + q*q/2) }

// keeping is the share that a value keeps of itself.
type keeping struct {
	of    int
	share float64
}

// passTwo carries the covariance over a step in which only the first two values move, as jac says of them, and some others keep
// no more than a share of themselves.
//
//go:norace
func passTwo(p *[cStates * cStates]float64, jac *[2][cStates]float64, wander *[cStates]float64, keep *[3]keeping) {
	const n = cStates
	for _, k := range keep {
		if k.share == 1 {
			continue
		}
		for i := range n {
			p[k.of*n+i] *= k.share
		}
		for i := range n {
			p[i*n+k.of] *= k.share
		}
	}
	var top [2][n]float64
	for r := range 2 {
		for k, v := range jac[r] {
			if v == 0 {
				continue
			}
			for j := range n {
				top[r][j] += v * p[k*n+j]
			}
		}
	}
	for r := range 2 {
		for j := 2; j < n; j++ {
			p[r*n+j], p[j*n+r] = top[r][j], top[r][j]
		}
		for q := r; q < 2; q++ {
			sum := 0.0
			for k, v := range jac[q] {
				sum += top[r][k] * v
			}
			p[r*n+q], p[q*n+r] = sum, sum
		}
	}
	for i := range n {
		p[i*n+i] += wander[i]
	}
}

// takeCO2 takes in fresh readings of CO2.
func (s *State) takeCO2(f *Facts) {
	if s.mute() {
		s.follow(f)
		return
	}
	for _, z := range f.CO2 {
		s.takeInside(z, f.Now)
	}
	s.Views.choose(s)
	s.RoomUnseen = s.RoomSeen.IsZero() || f.Now.Sub(s.RoomSeen) > stale*4
	if f.RoomCO2New && f.RoomCO2 > 0 {
		s.takeRoom(f.RoomCO2, f.Now)
	}
	s.fitCO2(f)
}

// takeInside takes in a reading of the chamber's CO2.
func (s *State) takeInside(z float64, now time.Time) {
	if s.RoomUnseen {
		s.Views.begin(s)
	}
	var by [4]weight
	if s.watchCO2(s.expect(z, &by), now) {
		s.Views.Both = false
	}
	s.Views.each(s, func() { s.takeByView(z, now) })
}

// Of the fan's flow, a reading tells the less the less surely the chamber stands above a room that nobody measures: the drop that a run
// leaves is the product of both, and where the one is as unsure as it is large, a filter that is linear around its guess becomes surer of
// the other than it may, a little with each reading, and flow creeps for days. So its gain is that of a signal of which flowDoubt times
// the variance of the difference is noise.
const flowDoubt = 1

// takeByView is takeInside for one of the [Views].
func (s *State) takeByView(z float64, now time.Time) {
	f := s.co2()
	lag, flow := f.hold(cLag), f.hold(cFlow)
	var by [4]weight
	miss := s.expect(z, &by)
	odd, variance := s.CO2.take(f, by[:], miss, 6*6, 60*60, now)
	s.Views.tell(odd, variance)
	if s.RoomUnseen {
		room, doubt := s.roomCO2()
		above := s.CO2.X[cCO2] - room
		f.heed(flow, above*above/(above*above+flowDoubt*doubt))
	}
	f.heed(lag, max(lagLeast, min(lagLearned/float64(s.CO2.Taken), 1)))
	if n := s.CO2.Taken; n < youngTaken {
		f.loosen(cLag, math.Sqrt(1+1/float64(n)), co2LagSD)
	}
}

// expect gives by how much a reading differs from what was to be expected, and by what values that changes.
func (s *State) expect(z float64, by *[4]weight) (miss float64) {
	x := &s.CO2.X
	tau := math.Exp(x[cLag])
	slope := (x[cCO2] - x[cSeen]) / tau
	*by = [...]weight{{cSeen, 1 + x[cLate]/tau}, {cCO2, -x[cLate] / tau}, {cLag, x[cLate] * slope}, {cLate, -slope}}
	return z - (x[cSeen] - x[cLate]*slope)
}

// meetRoom takes a reading of the room's CO2 for what the room holds: the first one, or the first for long.
func (s *State) meetRoom(z float64) {
	s.RoomAir, s.RoomMean, s.RoomUnseen, s.Views = z, z, false, Views{}
	s.co2().restart(cMood, 0, 0)
}

// takeRoom takes in a reading of the room's CO2.
func (s *State) takeRoom(z float64, now time.Time) {
	if s.RoomUnseen {
		s.meetRoom(z)
	} else {
		dt, was := now.Sub(s.RoomSeen).Seconds(), s.RoomAir
		s.RoomMean += (1 - math.Exp(-dt/roomMean)) * (z - s.RoomMean)
		s.RoomAir += (1 - math.Exp(-dt/roomFollows)) * (s.RoomMean - s.RoomAir)
		limit(&s.RoomAir, s.RoomMean-roomNear, s.RoomMean+roomNear)
		s.CO2.X[cRoom] += s.RoomAir - was
	}
	s.co2().observe([]weight{{cRoom, 1}, {cApart, 1}}, z-s.CO2.X[cRoom]-s.CO2.X[cApart], roomNew*roomNew, gate)
	s.RoomSeen = now
}

// noisyLongest is how long a filter may take the chamber's own course for noise.
const noisyLongest = time.Hour

// fitCO2 starts the filter anew from the labels where it has long taken what fan and crop do for noise: a sensor that stood still, or
// read another air, taught it so, and from then on it learns less and less of either, down to a chamber in which nothing moves.
func (s *State) fitCO2(f *Facts) {
	switch {
	case s.CO2.Noise < mostNoise*mostNoise:
		s.NoisyFrom = time.Time{}
	case s.NoisyFrom.IsZero():
		s.NoisyFrom = f.Now
	case f.Now.Sub(s.NoisyFrom) >= noisyLongest:
		s.CO2.P, s.CO2.Taken, s.CO2.Odd, s.NoisyFrom, s.Views.Both = [cStates * cStates]float64{}, 0, 0, time.Time{}, false
		s.beginCO2(f)
	}
}

// follow takes readings for what the air is, and learns nothing by them.
func (s *State) follow(f *Facts) {
	s.Views.Both = false
	c := s.co2()
	for _, z := range f.CO2 {
		c.restart(cCO2, z, 300)
		c.restart(cSeen, z, 300)
		if room, _ := s.roomCO2(); s.RoomUnseen && z < room { // no crop's air holds less than the room's: a fan that failed taught that
			c.restart(cRoom, z, roomSD)
			c.restart(cMood, 0, s.Views.mood())
		}
		s.CO2.Last = f.Now // a plan needs to know where CO2 stands, and fan and crop are known from before
	}
	if f.RoomCO2New && f.RoomCO2 > 0 {
		c.restart(cRoom, f.RoomCO2-s.CO2.X[cApart], roomSD)
		s.meetRoom(f.RoomCO2)
		s.RoomSeen = f.Now
	}
}

// labelMost is how much more air than its label says a fan can be taken to move: labels give it without duct and filter, and few
// understate it. Common practice.
const labelMost = 1.5

// Where a door that nobody noticed, or a sensor that read another air, has taught that the crop gives off next to nothing or the fan
// moves none, no reading would ever tell otherwise: a filter of logarithms sees by how much readings change with a value, and of nothing
// they do not change. So nobody is sure of less than leastMade, ppm an hour, and of a fan that moves less than labelLeast of its label.
const leastMade, labelLeast = 20.0, 0.08

// boundBelow keeps a value from there on, and as unsure as it was at first once it gets there.
func (s *State) boundBelow(i int, least, sd float64) {
	if x := &s.CO2.X[i]; *x < least {
		*x = least
		s.co2().forget(i, sd)
	}
}

// boundCO2 keeps what is known to lie somewhere there.
func (s *State) boundCO2(f *Facts) {
	c := &s.CO2.X
	limit(&c[cCO2], 250, 100_000)
	limit(&c[cSeen], 100, 100_000)
	limit(&c[cRoom], 380, 100_000)
	limit(&c[cApart], -150, 150)
	leastFlow, mostFlow := 0.2, 2000.0
	if f.RatedFlow > 0 {
		mostFlow = min(labelMost*f.RatedFlow/f.VolumeM3, mostFlow)
		leastFlow = max(labelLeast*f.RatedFlow/f.VolumeM3, leastFlow)
	}
	s.boundBelow(cFlow, math.Log(leastFlow/3600), flowSD)
	s.boundBelow(cMade, math.Log(leastMade/3600), madeSD)
	c[cFlow] = math.Min(c[cFlow], math.Log(max(mostFlow, 0.4)/3600))
	limit(&c[cLeak], math.Log(0.02/3600), math.Log(30/3600.0))
	c[cMade] = math.Min(c[cMade], math.Log(200_000/3600.0))
	limit(&c[cLag], math.Log(3), math.Log(300))
	limit(&c[cLate], -5, 5)
	limit(&c[cCos], -0.5, 0.5)
	limit(&c[cSin], -0.5, 0.5)
}

//go:norace
func limit(x *float64, low, high float64) { *x = math.Max(low, math.Min(*x, high)) }

package alarm

import (
	"math"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/learn"
)

// FanTest weighs whether the chamber's CO2 answers to the exhaust fan, window by window.
type FanTest struct {
	Answer
	Against float64 `json:"against"` // evidence that it moves no air, natural logarithm
	ForAir  float64 `json:"for_air"` // evidence that it does, once it has failed
	Frozen  float64 `json:"frozen"`  // seconds for which learning has been held
	Last    float64 `json:"last"`    // seconds since the last window that counted
	Failed  bool    `json:"failed,omitempty"`
	RanFor  float64 `json:"ran_for"` // seconds of fan in Against

	Top      float64 `json:"top"`       // highest CO2 since the present run began, hundreds of ppm
	Stopped  float64 `json:"stopped"`   // seconds since the fan last ran
	Usual    float64 `json:"usual"`     // excess over the room as a mean of hours, hundreds of ppm
	UsualFor float64 `json:"usual_for"` // seconds that it rests on
	Vain     float64 `json:"vain"`      // seconds of fan while there is far more than usual
	Choked   bool    `json:"choked,omitempty"`
	Misted   float64 `json:"misted"`  // mean output of the humidifier over minutes
	WetFor   float64 `json:"wet_for"` // seconds for which humidity was at fanWet or more
	Account  Account `json:"account,omitzero"`
}

// Account is what the fan should have carried off by what was learned of the chamber, beside what is gone, in hundreds of ppm.
type Account struct {
	For    float64 `json:"for"`    // seconds
	From   float64 `json:"from"`   // CO2 at the beginning
	Should float64 `json:"should"` // carried off by the fan, had it moved what it did
	Gained float64 `json:"gained"` // by the crop, less what leaked
	Short  int     `json:"short"`  // accounts in a row by which the fan moved next to nothing
	Still  bool    `json:"still,omitempty"`
	Fine   float64 `json:"fine"` // seconds for which the chamber has had air enough

	Made    float64 `json:"made"`     // by the crop, ppm a second, as a mean over a day
	Leak    float64 `json:"leak"`     // air changes a second, the same
	MadeFor float64 `json:"made_for"` // seconds that both rest on
}

const (
	// fanUnit: CO2 is counted in hundreds of ppm here, which brings it near the size of grams of vapor.
	fanUnit = 100.0
	// fanLag, seconds, of an infrared CO2 sensor behind its membrane (60 to 180 s, common practice; newer ones less).
	fanLag = 80.0
	// fanLeastEffect: what the fan should have moved the reading by in a window for it to count, in hundreds of ppm:
	// twice the noise of the mean of a minute's readings.
	fanLeastEffect = 0.12
	// fanLeastExcess over the room, in hundreds of ppm: two sensors may be 150 ppm apart, and a fan that has brought the
	// chamber to the room's air can do no more.
	fanLeastExcess = 1.5
	// fanNeeded: evidence against the fan counts only from this share of the CO2 limit on, and only while there is that much
	// more above the room than usual: a fan that moves no air lets CO2 rise past both, sooner or later.
	fanNeeded      = 0.97
	fanMore        = 1.25
	fanMoreAtLeast = 0.3 // hundreds of ppm
	// fanDoubt is taken off the evidence of every window: where two sensors' offsets make the excess look larger than it
	// is, a fan near its balance with the crop seems to do a little less than it should, minute after minute.
	fanDoubt = 0.7
	// fanDead: the mean number of windows with the fan between two false alarms is at least e^13, where residuals are normal
	// (Lorden 1971): a thousand days of four hundred such windows.
	fanDead   = 13.0
	fanAlive  = 5.0
	fanLeast  = 180.0 // seconds of fan without an answer before anything is said
	fanForget = 3600.0
	fanOdd    = 6.0 // evidence against the fan from which it is not reckoned with

	// A run after which CO2 has fallen by so much, and by that share of its excess, moved air, whatever the test says: noise of
	// two readings is a fifth of it, and a crop makes none vanish.
	fanFell      = 1.0 // hundreds of ppm
	fanFellShare = 0.3
	fanFellAfter = 120.0 // seconds after a run until which its fall may show
	// Where the fan runs most of the time, how CO2 answers to it cannot be learned. But a fan that has run for fanVain seconds
	// while there was so many times the usual excess, and so much at least, moves none; until it is near the usual again.
	fanUsual      = 6 * 3600.0 // seconds
	fanUsualKnown = 3 * 3600.0
	fanTimes      = 3.0
	fanFarMore    = 2.0 // hundreds of ppm, besides
	fanVain       = 25 * 60.0
	fanNear       = 1.5

	// An account is closed after so long at the least, once the fan should have carried off so much, and given up after the most.
	// By two in a row with less than stillShare of that gone, as mean over a minute or two of sensor's lag, it moves nothing; a
	// clogged filter lets through half. One with more than movesShare gone shows that it does, and so does a chamber that has had
	// air enough for accountFine. Beside a chamber as good as the room there is little to carry off at a time: there it is enough
	// that so much is gone of what the crop made, and that the fan should have carried off some of it.
	accountLeast  = 600.0
	accountMost   = 3 * 3600.0
	accountShould = 3.0
	accountSome   = 1.0
	accountFine   = 1800.0
	// A fan that moves nothing has the learner believe in a crop that makes more and more. Where the air is so wet that no other
	// air seems to come in, what the crop makes is reckoned with up to so many times what it made over the last day.
	accountGrown  = 3.0
	accountMemory = 24 * 3600.0
	stillAccounts = 2
	stillShare    = 0.25
	movesShare    = 0.5

	// Where nobody measures the room's CO2, the air is as wet as it should be with hardly any mist, as a mean over so many seconds,
	// or has been nearly saturated for so long with no more than is usual. Beyond fanPeople, ppm, no people make it: of two sleepers in a bedroom
	// with its windows shut, means of 2500 ppm have been measured (from memory).
	fanMisted     = 0.05
	fanMistedOver = 900.0
	fanMistedWet  = 0.25
	fanWet        = 0.975
	fanWetFor     = 600.0
	fanPeople     = 3000.0
)

// Odd reports whether the fan may move less air than it did: what it does to the chamber's water cannot be reckoned with.
func (f *FanTest) Odd() bool {
	return f.Failed || f.Choked || f.Account.Still || f.Account.Short > 0 || f.Against > fanOdd || f.Vain > fanVain/2
}

// fan raises fan_failed.
func (s *detection) fan() {
	i := s.e.Spec.Plug(chamber.ExhaustFan)
	if i < 0 || i >= len(s.e.Plugs) {
		return
	}
	c, p, f := s.out.Of(FanFailed), &s.e.Plugs[i], &s.Fan
	if s.Plugs[i].Idle >= powerReports {
		*c = Condition{Active: true, Code: NoPower, About: p.Name, Value: p.Watts, Bound: wattsIdle * s.Plugs[i].RunWatts}
		return
	}
	if m := s.e.Spec.Plug(chamber.Humidifier); m >= 0 && m < len(s.e.Plugs) {
		f.Misted += (1 - math.Exp(-s.dt/fanMistedOver)) * (s.e.Plugs[m].Output() - f.Misted)
	}
	f.WetFor += s.dt
	if rh := &s.e.Air.Inside.RelativeHumidity; !rh.OK || rh.Value < fanWet {
		f.WetFor = 0
	}
	in, room := &s.e.Air.Inside.CO2, s.e.roomMoist().CO2
	excess := (in.Value - room) / fanUnit
	if !in.OK || s.Open() || room > learn.RoomHigh {
		f.Started = false
		f.Account.restart()
	} else {
		needed := in.Value >= fanNeeded*s.e.Target.CO2MaxPPM && (f.UsualFor < fanUsualKnown || excess > fanMore*f.Usual+fanMoreAtLeast) && s.staysWet()
		f.advance(in.Value/fanUnit, excess, s.dt, p.Output(), needed)
		f.fell(in.Value/fanUnit, excess, s.dt, p.Output())
		f.choke(excess, s.dt, p.Output(), needed)
		if f.Account.advance(in.Value/fanUnit, p.Output(), s.dt, needed, s.wetAnyway(), s.moves()) {
			f.sound()
		}
	}
	if f.Failed || f.Choked || f.Account.Still {
		*c = Condition{Active: true, Code: NoEffect, About: p.Name, Quantity: chamber.CO2, Value: in.Value, Bound: room}
	}
}

// staysWet reports whether humidity bears out that no air is moved, where people who raise the CO2 of a room that nobody measures
// would look the same. More than people make of a room needs no such witness.
func (s *detection) staysWet() bool {
	return s.e.Air.Room.CO2.OK || s.e.Air.Inside.CO2.Value > max(fanPeople, 2*s.e.Target.CO2MaxPPM) || s.wetAnyway()
}

// wetAnyway reports whether the air stays as wet as it should be with hardly any mist.
func (s *detection) wetAnyway() bool {
	rh := &s.e.Air.Inside.RelativeHumidity
	return rh.OK && (s.Fan.WetFor >= fanWetFor && s.Fan.Misted <= fanMistedWet || rh.Value >= s.e.Target.RelativeHumidity.Aim && s.Fan.Misted <= fanMisted)
}

// advance takes in one step.
func (f *FanTest) advance(co2, excess, dt, output float64, needed bool) {
	var drive inputs
	drive[acted], drive[rested], drive[passed] = -dt*excess*output, -dt*excess, dt
	f.Last += dt
	change, closed := f.push(co2, &drive, dt, fanLag)
	if !closed {
		return
	}
	predicted := f.Fit.predict(&f.Input)
	effect := f.Fit.Coef[acted] * f.Input[acted]
	if f.Fit.ActSeen >= learnedWindows && effect < -fanLeastEffect && excess > fanLeastExcess {
		f.weigh(change-predicted, effect, needed)
	}
	if f.Last > fanForget {
		f.Against, f.RanFor = 0, 0
	}
	f.Frozen += windowSeconds
	if f.Against < freezeAt && !f.Failed {
		f.Frozen = 0
	}
	if held := f.Failed || f.Frozen > 0 && f.Frozen < freezeFor; !held || math.Abs(f.Input[acted]) < leastAct {
		f.Fit.learn(&f.Input, change, math.Abs(f.Input[acted]) >= enoughAct)
	}
	f.next(co2)
}

// fell looks whether CO2 has fallen in a run as nothing but moved air makes it.
func (f *FanTest) fell(co2, excess, dt, output float64) {
	if output > 0 {
		if f.Stopped > 0 {
			f.Top = co2
		}
		f.Stopped = 0
	} else {
		f.Stopped += dt
	}
	f.Top = max(f.Top, co2)
	gone := f.Top - co2
	if f.Stopped < fanFellAfter && gone >= max(fanFell, fanFellShare*(excess+gone)) {
		f.sound()
		f.Account.Short, f.Account.Still, f.Account.Fine = 0, false, 0
		f.Account.restart()
		f.Top = co2
	}
}

// sound ends that the fan counts as failed, with all that spoke for it.
func (f *FanTest) sound() {
	f.Failed, f.Choked, f.Against, f.ForAir, f.RanFor, f.Vain = false, false, 0, 0, 0, 0
}

// moves is the exchange as it was learned, between a room whose CO2 is what is measured of it if that is the more: what is learned
// of it follows people who come home by hours.
func (s *detection) moves() *Exchange {
	m := s.Door.Airing.Moves
	if room := &s.e.Air.Room.CO2; room.OK && m.Room > 0 {
		m.Room = max(m.Room, room.Value)
	}
	return &m
}

// advance takes in dt seconds of the fan at that output. Only while the chamber lacks air is it short of any. It reports whether so
// much is gone that the fan must have moved air.
func (a *Account) advance(co2, output, dt float64, needed, wet bool, moves *Exchange) (moved bool) {
	if moves.Made <= 0 || moves.Room <= 0 {
		return false
	}
	before := a.MadeFor
	accrue(&a.Leak, &before, moves.Leak, dt, accountMemory)
	accrue(&a.Made, &a.MadeFor, moves.Made, dt, accountMemory)
	made, leak := moves.Made, min(moves.Leak, a.Leak) // an open door is learned for a leak, and is shut long before that is unlearned
	if wet {
		made = min(made, accountGrown*a.Made)
	}
	if a.Fine += dt; needed {
		a.Fine = 0
	}
	if a.Fine >= accountFine {
		a.Short, a.Still = 0, false
	}
	if a.For == 0 {
		a.From = co2
	}
	excess := max(0, co2-moves.Room/fanUnit)
	a.For += dt
	a.Should += moves.Fan * output * excess * dt
	a.Gained += (made/fanUnit - leak*excess) * dt
	gone := a.Gained - (co2 - a.From)
	moved = a.For >= accountLeast && a.Should >= accountSome && gone >= max(accountShould, movesShare*a.Should)
	switch {
	case a.For > accountMost:
		a.restart()
	case a.For < accountLeast || a.Should < accountShould:
	default:
		switch share := gone / a.Should; {
		case share < stillShare && (needed || a.Still):
			a.Short++
			a.Still = a.Still || a.Short >= stillAccounts
		case share > movesShare:
			a.Short, a.Still = 0, false
		default:
			a.Short = 0
		}
		a.restart()
	}
	return moved
}

// restart begins a new account.
func (a *Account) restart() {
	a.For, a.From, a.Should, a.Gained = 0, 0, 0, 0
}

// choke looks whether the fan runs in vain.
func (f *FanTest) choke(excess, dt, output float64, needed bool) {
	far := fanTimes*max(f.Usual, 0) + fanFarMore
	switch {
	case f.Choked:
		f.Choked = excess > fanNear*max(f.Usual, 0)+fanFarMore/2
	case f.UsualFor >= fanUsualKnown && needed && excess > far:
		f.Vain += dt * output
		f.Choked = f.Vain >= fanVain
		return
	}
	f.Vain = 0
	if !f.Choked && f.Account.Short == 0 {
		accrue(&f.Usual, &f.UsualFor, excess, dt, fanUsual)
	}
}

// weigh adds one window's evidence; against the fan only when it is needed.
func (f *FanTest) weigh(residual, effect float64, needed bool) {
	if f.Failed {
		f.ForAir = max(0, f.ForAir-evidence(residual, effect, aliveShare, f.Fit.Variance, evidenceClip))
		if f.ForAir >= fanAlive {
			f.Failed, f.Against, f.ForAir, f.RanFor = false, 0, 0, 0
		}
		return
	}
	ratio := evidence(residual, effect, deadShare, f.Fit.Variance, evidenceClip) - fanDoubt
	if ratio > 0 && !needed {
		return
	}
	if f.Against == 0 {
		f.RanFor = 0
	}
	f.Last = 0
	f.RanFor += windowSeconds
	f.Against = max(0, f.Against+ratio)
	if f.Against >= fanDead && f.RanFor >= fanLeast {
		f.Failed, f.ForAir = true, 0
	}
}

package guard

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/reason"
)

var t0 = time.Date(2026, 1, 14, 3, 0, 0, 0, time.UTC)

// bench is one plug, the guard over it, and a wire that may be slow.
type bench struct {
	spec chamber.Plug
	plug Plug
	now  time.Time
	link bool
	up   bool
	// relay is what the plug itself does, as a device of the outside would: it obeys what is sent.
	relay bool
	lost  bool // what is sent does not arrive, and that is known
	deaf  bool // it arrives, and counts as not sent
	edges []edge
}

type edge struct {
	at  time.Time
	on  bool
	cut bool // by the longest run, which counts from when the plug was told first, whenever it heard
}

func newBench(spec chamber.Plug) *bench {
	return &bench{spec: spec, plug: Plug{Name: "p", Role: spec.Role}, now: t0, link: true}
}

// restedBench has a plug that reports, and has said for a minute that it is off.
func restedBench() *bench {
	spec := mister()
	spec.Reports = true
	b := newBench(spec)
	b.want(false)
	b.report()
	b.wait(time.Minute)
	return b
}

func (b *bench) want(on bool) Verdict {
	return b.wantThis(Want{On: on})
}

func (b *bench) wantThis(w Want) Verdict {
	v := b.plug.Apply(&b.spec, w, Scene{Now: b.now, Link: b.link, LinkUp: b.up, LinkSince: t0.Add(-time.Minute)})
	b.up = false
	if v.Send && v.On != b.relay && !b.lost {
		b.relay = v.On
		b.edges = append(b.edges, edge{b.now, v.On, b.now.Before(b.plug.CutUntil)})
	}
	if v.Send && (b.lost || b.deaf) {
		b.plug.NotSent()
	}
	return v
}

func (b *bench) report() bool {
	return b.plug.Report(&b.spec, chamber.PlugReport{HasOn: true, On: b.relay}, b.now)
}

func (b *bench) wait(d time.Duration) { b.now = b.now.Add(d) }

func mister() chamber.Plug {
	return chamber.Plug{Name: "p", Role: chamber.Humidifier, MinOn: 20 * time.Second, MinOff: 30 * time.Second, MaxOn: 30 * time.Minute}
}

func has(rs []reason.Reason, c reason.Code) bool {
	for _, r := range rs {
		if r.Code == c {
			return true
		}
	}
	return false
}

func TestUnknownPlugRestsFirst(t *testing.T) {
	b := newBench(mister())
	if v := b.want(true); v.On || !v.Send {
		t.Fatalf("a plug of which nothing is known was told on=%v send=%v; it must be told off first", v.On, v.Send)
	}
	b.wait(29 * time.Second)
	if v := b.want(true); v.On {
		t.Fatal("turned on before its minimum off time")
	}
	b.wait(2 * time.Second)
	if v := b.want(true); !v.On || !v.Send {
		t.Fatalf("after the minimum off time: on=%v send=%v", v.On, v.Send)
	}
}

// A plug that was never told anything says that it is on, by a copy whose age nobody knows. It is let finish its shortest run, but not
// told to be on: it may be off.
func TestAPlugThatIsOnUnaskedIsNotToldToBe(t *testing.T) {
	spec := mister()
	spec.Reports = true
	b := newBench(spec)
	b.plug.Report(&b.spec, chamber.PlugReport{HasOn: true, On: true, Retained: true}, b.now)
	for range 20 {
		if v := b.want(false); v.Send {
			t.Fatalf("told to be on: %v", v.On)
		}
		b.wait(time.Second)
	}
	b.wait(time.Second)
	if v := b.want(false); !v.Send || v.On {
		t.Errorf("after its shortest run: sent %v, on %v; want it told to rest", v.Send, v.On)
	}
}

func TestMinimumOnHoldsAgainstControlButNotAgainstASafetyCut(t *testing.T) {
	b := newBench(mister())
	b.want(false)
	b.wait(time.Minute)
	b.want(true)
	b.wait(5 * time.Second)
	if v := b.want(false); !v.On || !has(v.Reasons, reason.MinOn) {
		t.Fatalf("minimum on time broken: %+v", v)
	}
	if v := b.wantThis(Want{Cut: true}); v.On || !v.Send {
		t.Fatalf("a safety cut must not wait for the minimum on time: %+v", v)
	}
}

func TestLongestRunCutsAlsoAHand(t *testing.T) {
	for _, hand := range []bool{false, true} {
		b := newBench(mister())
		b.want(false)
		b.wait(time.Minute)
		if hand {
			b.plug.Hold(true, b.now, 24*time.Hour)
		}
		b.want(true)
		b.wait(30*time.Minute - time.Second)
		if v := b.want(true); !v.On {
			t.Fatal("cut before the longest run")
		}
		b.wait(2 * time.Second)
		v := b.want(true)
		if v.On || !v.Send || !has(v.Reasons, reason.MaxOn) {
			t.Fatalf("hand=%v: ran longer than the longest run: %+v", hand, v)
		}
		b.wait(45 * time.Second)
		if v := b.want(true); v.On {
			t.Fatal("no pause after a cut")
		}
		b.wait(20 * time.Second)
		if v := b.want(true); !v.On {
			t.Fatal("does not resume after the pause")
		}
	}
}

func TestSwitchedAtThePlugIsLeftAloneForAQuarterOfAnHour(t *testing.T) {
	spec := mister()
	spec.Reports = true
	b := newBench(spec)
	b.report()
	b.want(false)
	b.report()
	b.wait(time.Minute)
	b.relay = true // a person
	if !b.report() {
		t.Fatal("a plug that had agreed and changed unasked was switched by hand")
	}
	for range 14 {
		b.wait(time.Minute)
		if v := b.want(false); v.Send || !v.On || !has(v.Reasons, reason.HandAtPlug) {
			t.Fatalf("commanded while in a hand: %+v", v)
		}
	}
	b.wait(61 * time.Second)
	if v := b.want(false); !v.Ended || !v.Send || v.On {
		t.Fatalf("control does not resume: %+v", v)
	}
}

// TestAnOldReportIsNoHandForEver: the plug answered that it is on, and an old word that it is off came after that. It passes for a
// hand; but once the hand is gone, the plug is told what it is thought to be, which it is not, and rests from then on.
func TestAnOldReportIsNoHandForEver(t *testing.T) {
	b := restedBench()
	b.spec.MaxOn = 0
	b.want(true)
	b.wait(2 * time.Second)
	b.report()
	b.wait(2 * time.Second)
	if !b.plug.Report(&b.spec, chamber.PlugReport{HasOn: true, On: false}, b.now) {
		t.Fatal("no hand") // then this test has lost its cause
	}
	b.wait(HandAtPlug + time.Second)
	if v := b.want(false); !v.Ended || !v.Send || v.On || b.relay {
		t.Fatalf("it is not told to be off, and stays on: %+v", v)
	}
	told := b.now
	b.wait(time.Second)
	if v := b.want(false); v.Send {
		t.Errorf("told once more: %+v", v)
	}
	for v := b.want(true); !v.On; v = b.want(true) {
		b.wait(time.Second)
	}
	if rest := b.now.Sub(told); rest < b.spec.MinOff-time.Second {
		t.Errorf("turned on %s after it was told to rest; its least is %s", rest, b.spec.MinOff)
	}
}

func TestALateReportIsNoHand(t *testing.T) {
	spec := mister()
	spec.Reports = true
	b := newBench(spec)
	b.report()
	b.want(false)
	b.wait(time.Minute)
	b.want(true) // the relay is on, but an old report is still on its way
	if b.plug.Report(&b.spec, chamber.PlugReport{HasOn: true, On: false}, b.now) {
		t.Fatal("an old report right after the command was taken for a hand")
	}
	b.wait(time.Second)
	if b.report() {
		t.Fatal("the plug's obedience was taken for a hand")
	}
}

// A pulse is over before the plug's report of its beginning comes in: that report is an answer, not a hand. Its end is
// then reported too. A person who switches later is still seen.
func TestTheReportOfAShortPulseIsNoHand(t *testing.T) {
	spec := mister()
	spec.MinOn, spec.Reports = 5*time.Second, true
	b := newBench(spec)
	b.want(false)
	b.report()
	b.wait(time.Minute)
	b.want(true)
	b.wait(6 * time.Second)
	b.want(false)
	b.wait(2 * time.Second)
	if b.relay = true; b.report() {
		t.Error("the report of the pulse's beginning was taken for a hand")
	}
	b.wait(6 * time.Second)
	if b.relay = false; b.report() {
		t.Error("the report of the pulse's end was taken for a hand")
	}
	b.wait(time.Minute)
	if b.relay = true; !b.report() {
		t.Error("a hand at the plug was not seen")
	}
}

// The command to a plug that turns itself off is repeated when its report is slow; the repeat may come after its end.
func TestARepeatThatComesAfterTheLeaseIsNoHand(t *testing.T) {
	spec := mister()
	spec.MinOn, spec.Reports, spec.Timed = 5*time.Second, true, true
	b := newBench(spec)
	b.want(false)
	b.report()
	b.wait(time.Minute)
	if v := b.wantThis(Want{On: true, Until: b.now.Add(5 * time.Second)}); !v.Send || v.For != 5*time.Second {
		t.Fatalf("no lease of 5 s: %+v", v)
	}
	b.wait(FirstRepeat)
	if v := b.wantThis(Want{On: true, Until: b.now}); !v.Send {
		t.Fatalf("not repeated: %+v", v)
	}
	for _, on := range []bool{true, false, true, false} { // obeyed, run out, obeyed again, run out again
		b.wait(time.Second)
		b.relay = on
		if b.report() {
			t.Fatalf("the report of %v was taken for a hand", on)
		}
	}
}

// A plug that says nothing when told what it does already is watched all the same.
func TestASilentAnswerDoesNotHideAHand(t *testing.T) {
	spec := mister()
	spec.Reports = true
	b := newBench(spec)
	b.report() // off, as it is told a moment later
	b.wait(3 * time.Second)
	b.want(false)
	b.wait(LateAnswer + time.Second)
	if b.relay = true; !b.report() {
		t.Error("a hand at the plug was not seen")
	}
}

func TestADisobedientPlugIsToldAgainEverSlower(t *testing.T) {
	spec := mister()
	spec.Reports = true
	b := newBench(spec)
	b.report()
	b.want(false)
	b.wait(time.Minute)
	b.want(true)
	b.plug.Report(&b.spec, chamber.PlugReport{HasOn: true, On: false}, b.now)
	var gaps []time.Duration
	last := b.now
	for range 300 {
		b.wait(time.Second)
		if v := b.want(true); v.Send {
			gaps = append(gaps, b.now.Sub(last))
			last = b.now
		}
	}
	want := []time.Duration{5, 10, 20, 40, 60, 60, 60}
	if len(gaps) < len(want) {
		t.Fatalf("told again %d times in 5 min, want at least %d: %v", len(gaps), len(want), gaps)
	}
	for i, w := range want {
		if gaps[i] != w*time.Second {
			t.Errorf("gap %d is %s, want %s", i, gaps[i], w*time.Second)
		}
	}
	if b.plug.DisagreesSince.IsZero() {
		t.Error("the disagreement is not noted")
	}
}

// A link that loses messages loses the word of a plug that it went on, and then the command to go off. Its last word is then
// still "off", as it is to be, while it runs.
func TestAnOldWordThatAgreesByChanceIsNoAnswer(t *testing.T) {
	b := restedBench()
	if v := b.want(true); !v.Send {
		t.Fatal("not told to go on")
	}
	b.wait(40 * time.Second) // it runs; all that it says is lost
	b.relay = true
	if v := b.plug.Apply(&b.spec, Want{}, Scene{Now: b.now, Link: true, LinkSince: t0}); !v.Send || v.On {
		t.Fatalf("told on=%v send=%v", v.On, v.Send)
	}
	told := 0
	for range 20 { // and so is the command
		b.wait(time.Second)
		if v := b.plug.Apply(&b.spec, Want{}, Scene{Now: b.now, Link: true, LinkSince: t0}); v.Send {
			told++
		}
	}
	if told != 2 { // after 5 s, and after another 10 s
		t.Errorf("told again %d times in 20 s", told)
	}
	b.relay = false
	b.report()
	for range 600 {
		b.wait(time.Second)
		if v := b.want(false); v.Send {
			t.Fatalf("told again %v after it had answered", b.now.Sub(t0))
		}
	}
}

// Not every plug answers a command that changes nothing: it is not told more often than one that never reports.
func TestAPlugThatHasNothingToSayIsToldSeldom(t *testing.T) {
	b := restedBench()
	b.plug.Apply(&b.spec, Want{On: true}, Scene{Now: b.now, Link: true, LinkSince: t0}) // lost
	b.wait(21 * time.Second)
	told := 0
	for range 4 * 3600 {
		b.wait(time.Second)
		if v := b.want(false); v.Send {
			told++
		}
	}
	// 5, 10, 20, 40, 80, 160 s apart, then every five minutes of the 14,085 s that are left, and once to go off at all.
	if told < 40 || told > 60 {
		t.Errorf("told %d times in four hours", told)
	}
}

// A plug that went on by itself, and whose word of that was lost, is off again before its longest run is over: one at rest is told so
// anew after half of that. It is no repeat that a person need know of.
func TestAPlugAtRestIsToldSoAnewNowAndThen(t *testing.T) {
	b := restedBench()
	sent := 0
	for range 2 * 60 {
		v := b.want(false)
		if v.Send {
			sent++
		}
		if v.Turned || has(v.Reasons, reason.Repeat) {
			t.Errorf("after %s: %+v", b.now.Sub(t0), v)
		}
		if v.Wake.IsZero() || v.Wake.Sub(b.now) > b.spec.MaxOn/2 {
			t.Errorf("after %s looked at again at %s", b.now.Sub(t0), v.Wake)
		}
		b.wait(time.Minute)
	}
	if sent < 7 || sent > 8 {
		t.Errorf("told %d times in two hours at a longest run of half an hour", sent)
	}
	b.relay = true
	went := b.now
	for b.relay && b.now.Sub(went) < time.Hour {
		b.wait(10 * time.Second)
		b.want(false)
	}
	if on := b.now.Sub(went); on > b.spec.MaxOn {
		t.Errorf("on unheard for %s", on)
	}
}

// Telling a plug at rest so anew may turn it off that moment, where it had gone on unheard: it then rests for its least time.
func TestAPlugToldToRestAnewRests(t *testing.T) {
	b := restedBench()
	b.wait(b.spec.MaxOn/2 - time.Minute)
	for v := b.want(false); !v.Send; v = b.want(false) {
		b.wait(time.Second)
	}
	b.wait(time.Second)
	told := b.now
	for v := b.want(true); !v.On; v = b.want(true) {
		b.wait(time.Second)
	}
	if rest := b.now.Sub(told); rest < b.spec.MinOff-time.Second {
		t.Errorf("turned on %s after it was told to rest; its least is %s", rest, b.spec.MinOff)
	}
}

func TestNothingIsSentWhileTheBrokerIsAwayAndAllIsToldAgainAfter(t *testing.T) {
	b := newBench(mister())
	b.want(false)
	b.wait(time.Minute)
	b.link = false
	if v := b.want(true); v.Send || !has(v.Reasons, reason.LinkDown) {
		t.Fatalf("sent without a link: %+v", v)
	}
	b.wait(time.Minute)
	b.link, b.up = true, true
	if v := b.want(false); !v.Send || v.On {
		t.Fatalf("the present want must be told after the link is back: %+v", v)
	}
}

func TestALeaseEndsWithThePulseAndIsRenewedInTime(t *testing.T) {
	spec := mister()
	spec.Timed, spec.MaxOn = true, 0
	b := newBench(spec)
	b.want(false)
	b.wait(time.Minute)
	v := b.wantThis(Want{On: true, Until: b.now.Add(45 * time.Second)})
	if v.For != 45*time.Second {
		t.Fatalf("lease %s for a pulse of 45 s", v.For)
	}
	b.wait(45 * time.Second)
	b.want(false)
	b.wait(time.Minute)
	v = b.wantThis(Want{On: true})
	if v.For != LongestLease {
		t.Fatalf("lease %s for an open-ended run, want %s", v.For, LongestLease)
	}
	left := v.For
	for range 40 {
		b.wait(30 * time.Second)
		left -= 30 * time.Second
		if v := b.wantThis(Want{On: true}); v.Send {
			left = v.For
		}
		if left <= 0 {
			t.Fatal("the lease ran out while the plug was wanted on")
		}
	}
}

// The last leases of a run used to be of a second: where one command is half a second longer under way than the one before, the plug
// went off at its end, and on again. Here commands take 0.3 and 0.9 s in turn, and reports 0.3 s.
func TestALeaseOutlastsTheWayOfItsRenewal(t *testing.T) {
	for run := 20 * time.Second; run < 30*time.Second; run += 500 * time.Millisecond {
		for first := range 2 {
			if edges, on := turnedInARun(run, first); edges != 2 || on {
				t.Errorf("a run of %s turned the relay %d times", run, edges)
			}
		}
	}
}

// turnedInARun says how often a run turns the relay of a plug with a timer, and whether it is on in the end. First is 0 or 1: which
// of the commands are long under way.
func turnedInARun(run time.Duration, first int) (edges int, on bool) {
	const short, long = 300 * time.Millisecond, 900 * time.Millisecond
	spec := mister()
	spec.Timed, spec.Reports = true, true
	b := newBench(spec)
	b.want(false)
	b.report()
	b.wait(time.Minute)
	type told struct {
		Verdict
		at time.Time
	}
	var relay, said bool
	var off, saidAt time.Time // when the relay's timer is over, and when its word is heard
	var underWay []told
	commands := first
	turn := func(on bool) {
		if on != relay {
			relay, saidAt = on, b.now.Add(short)
			edges++
		}
	}
	until := b.now.Add(run)
	for end := b.now.Add(40 * time.Second); b.now.Before(end); b.now = b.now.Add(100 * time.Millisecond) {
		for len(underWay) > 0 && !b.now.Before(underWay[0].at) {
			turn(underWay[0].On)
			off, underWay = b.now.Add(underWay[0].For), underWay[1:]
		}
		if relay && !b.now.Before(off) {
			turn(false)
		}
		if said != relay && !b.now.Before(saidAt) {
			said = relay
			b.plug.Report(&b.spec, chamber.PlugReport{HasOn: true, On: said}, b.now)
		}
		w := Want{}
		if b.now.Before(until) {
			w = Want{On: true, Until: until}
		}
		if v := b.plug.Apply(&b.spec, w, Scene{Now: b.now, Link: true, LinkSince: t0.Add(-time.Minute)}); v.Send {
			at := b.now.Add(short)
			if commands++; commands%2 == 0 {
				at = b.now.Add(long)
			}
			if n := len(underWay); n > 0 && at.Before(underWay[n-1].at) {
				at = underWay[n-1].at // one connection: they arrive in order
			}
			underWay = append(underWay, told{v, at})
		}
	}
	return edges, relay
}

// A run that nobody wants any more is held on until its shortest is over. A daemon that dies then must not leave it on for longer.
func TestALeaseOfARunThatIsHeldEndsWithIt(t *testing.T) {
	spec := mister()
	spec.Timed, spec.MinOn, spec.MaxOn = true, time.Minute, 0
	b := newBench(spec)
	b.want(false)
	b.wait(2 * time.Minute)
	start := b.now
	b.wantThis(Want{On: true, Until: start.Add(20 * time.Second)})
	for b.now.Sub(start) < time.Minute {
		b.wait(500 * time.Millisecond)
		if v := b.wantThis(Want{}); v.Send && v.On && b.now.Add(v.For).Sub(start) > time.Minute+ShortestLease {
			t.Fatalf("told to stay on for %s, %s into a run of a minute", v.For, b.now.Sub(start))
		}
	}
}

// TestMinimumTimesHoldWhateverIsWanted drives the guard with random wants, waits, hands and outages and looks at the
// relay from outside: no change comes sooner than the minimum time after the one before, a cut excepted, and no run is
// longer than the longest.
// TestAnOutageDoesNotProlongARun: the connection comes and goes, and each time the plug is told again to be on. It is cut when it may
// have run for the longest time allowed, and rests for its shortest when it may just have heard.
func TestAnOutageDoesNotProlongARun(t *testing.T) {
	for _, reports := range []bool{false, true} {
		spec := mister()
		spec.Reports, spec.MaxOn = reports, 5*time.Minute
		b := newBench(spec)
		b.want(false)
		b.wait(time.Minute)
		if v := b.want(true); !v.Send {
			t.Fatal("not switched on")
		}
		began := b.now
		for b.want(true).On {
			b.wait(50 * time.Second)
			b.plug.Unsync()
			b.up = true
			if b.now.Sub(began) > spec.MaxOn+time.Minute {
				t.Fatalf("reports %v: it is still on after %v", reports, b.now.Sub(began))
			}
		}
		if ran := b.now.Sub(began); ran < spec.MaxOn {
			t.Errorf("reports %v: cut after %v already", reports, ran)
		}
	}
}

// TestACommandThatMayHaveBeenLostStartsMinimumTimesAnew: it is told again once the connection is back.
func TestACommandThatMayHaveBeenLostStartsMinimumTimesAnew(t *testing.T) {
	spec := mister()
	b := newBench(spec)
	b.want(false)
	b.wait(time.Minute)
	b.lost = true
	b.want(true)
	b.link, b.lost = false, false
	b.wait(18 * time.Second)
	b.want(true)
	b.link, b.up = true, true
	if !b.want(true).Send {
		t.Fatal("the plug is not told again")
	}
	b.wait(5 * time.Second)
	if v := b.want(false); !v.On || !has(v.Reasons, reason.MinOn) {
		t.Error("it may have been on for five seconds only, and is switched off")
	}
	b.wait(16 * time.Second)
	if b.want(false).On {
		t.Error("its shortest run is over, and it goes on")
	}
}

// TestAConnectionThatComesAndGoesKeepsNoPlugFromItsWork: what had arrived is told again each time, and changes nothing.
func TestAConnectionThatComesAndGoesKeepsNoPlugFromItsWork(t *testing.T) {
	b := newBench(mister())
	b.want(false)
	for range 4 {
		b.wait(10 * time.Second)
		b.up = true
		b.want(false)
	}
	if !b.want(true).Send {
		t.Error("it has rested for 40 s, and must rest on for being told so again")
	}
}

// TestAKillLeavesACommandUnderWay: the program dies before the broker has acknowledged, and comes back minutes later.
func TestAKillLeavesACommandUnderWay(t *testing.T) {
	for _, after := range []time.Duration{2 * time.Second, time.Minute} {
		b := newBench(mister())
		b.want(false)
		b.wait(time.Minute)
		b.want(true)
		b.plug = b.plug.Fitted(&b.spec, b.now.Add(after))
		b.wait(5 * time.Minute)
		b.up = true
		b.want(true)
		b.wait(5 * time.Second)
		if held := b.want(false).On; held != (after < UnderWay) {
			t.Errorf("killed %v after the command: 5 s after the return it is held on: %v", after, held)
		}
	}
	b := restedBench() // it says itself what it does
	b.want(true)
	b.report()
	b.plug = b.plug.Fitted(&b.spec, b.now.Add(2*time.Second))
	b.wait(time.Minute)
	b.report()
	if v := b.want(true); v.Send {
		t.Error("a plug that says that it does as told is told again")
	}
	if b.want(false).On {
		t.Error("a plug that has run for a minute is held on")
	}
}

func TestMinimumTimesHoldWhateverIsWanted(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		spec := mister()
		spec.Reports = rapid.Bool().Draw(t, "reports")
		spec.Timed = rapid.Bool().Draw(t, "timed")
		spec.MaxOn = time.Duration(rapid.IntRange(60, 600).Draw(t, "max_on")) * time.Second
		b := newBench(spec)
		for range rapid.IntRange(1, 200).Draw(t, "steps") {
			b.wait(time.Duration(rapid.IntRange(0, 40_000).Draw(t, "wait")) * time.Millisecond)
			loss := rapid.IntRange(0, 9).Draw(t, "loss")
			b.lost, b.deaf = loss < 2, loss == 2
			switch rapid.IntRange(0, 9).Draw(t, "what") {
			case 0:
				b.plug.Hold(rapid.Bool().Draw(t, "hand"), b.now, time.Duration(rapid.IntRange(1, 900).Draw(t, "for"))*time.Second)
			case 1:
				b.plug.Release()
			case 2:
				b.link = !b.link
				b.up = b.link
			case 3, 4, 5:
				if spec.Reports {
					b.report()
				}
			default:
				b.want(rapid.Bool().Draw(t, "want"))
			}
			if b.link {
				b.want(rapid.Bool().Draw(t, "again"))
			}
		}
		for i := 1; i < len(b.edges); i++ {
			gap, was := b.edges[i].at.Sub(b.edges[i-1].at), b.edges[i-1].on
			least := spec.MinOff
			if was {
				least = spec.MinOn
			}
			if gap < least && !b.edges[i].cut {
				t.Fatalf("on=%v for only %s, minimum %s", was, gap, least)
			}
		}
	})
}

func TestDutyIsTheShareOfTimeOn(t *testing.T) {
	p := Plug{Known: true}
	for i := range 12 * 60 * 6 { // twelve hours in steps of ten seconds, on a quarter of the time
		p.On = i%8 < 2
		p.Pass(10*time.Second, true)
	}
	if p.Duty < 0.24 || p.Duty > 0.26 {
		t.Errorf("duty %.3f after twelve hours at 0.25", p.Duty)
	}
	if got, want := p.OnSeconds, 12*3600*0.25; got != want {
		t.Errorf("on for %.0f s, want %.0f", got, want)
	}
	before := p.Duty
	p.On = true
	p.Pass(time.Hour, false)
	if p.Duty != before {
		t.Error("the duty learned from an hour without good readings")
	}
}

// TestDoing: what a plug does it has done since it was told so, from then on and whenever its answer comes, where it did as told
// before; and what nobody told it since that was heard of.
func TestDoing(t *testing.T) {
	spec := &chamber.Plug{Name: "fan", Role: chamber.ExhaustFan, Reports: true}
	told := func() (p Plug) {
		p.Report(spec, chamber.PlugReport{HasOn: true}, t0.Add(-time.Hour))
		p.Apply(spec, Want{}, Scene{Now: t0.Add(-50 * time.Minute), Link: true})
		p.Report(spec, chamber.PlugReport{HasOn: true}, t0.Add(-50*time.Minute))
		p.Apply(spec, Want{On: true}, Scene{Now: t0, Link: true})
		return p
	}
	for _, c := range []struct {
		name   string
		answer time.Duration // 0: none
		on     bool          // what it answers, told to run
		at     time.Duration // when it is asked
		output float64
		want   time.Duration
	}{
		{"unanswered yet", 0, false, 5 * time.Second, 1, 0},
		{"unanswered for long", 0, false, time.Minute, 0, -time.Hour},
		{"at once", 300 * time.Millisecond, true, 5 * time.Second, 1, 0},
		{"after nine seconds", 9 * time.Second, true, 10 * time.Second, 1, 0},
		{"after a minute", time.Minute, true, time.Hour, 1, time.Minute},
		{"otherwise, for long", 3 * time.Second, false, time.Minute, 0, -time.Hour},
	} {
		p := told()
		if c.answer > 0 {
			p.Report(spec, chamber.PlugReport{HasOn: true, On: c.on}, t0.Add(c.answer))
		}
		if output, since := p.Doing(t0.Add(c.at)); output != c.output || since.Sub(t0) != c.want {
			t.Errorf("answering %s: %g since %v, want %g since %v", c.name, output, since.Sub(t0), c.output, c.want)
		}
	}
	stubborn := told()
	stubborn.Apply(spec, Want{}, Scene{Now: t0.Add(time.Minute), Link: true}) // never having heard that it went on
	stubborn.Apply(spec, Want{On: true}, Scene{Now: t0.Add(2 * time.Minute), Link: true})
	if output, _ := stubborn.Doing(t0.Add(2*time.Minute + time.Second)); output != 0 {
		t.Errorf("a plug that did not answer to the command before: taken to give %g, want what it says", output)
	}
	blind := &chamber.Plug{Name: "fan", Role: chamber.ExhaustFan}
	var p Plug
	p.Apply(blind, Want{On: true}, Scene{Now: t0, Link: true})
	if _, since := p.Doing(t0); !since.Equal(t0) {
		t.Errorf("one that reports nothing: since %v, want %v", since, t0)
	}
}

// TestAnswers: how long its word takes is a mean over many answers, in which what is no answer does not count.
func TestAnswers(t *testing.T) {
	spec := &chamber.Plug{Name: "fan", Role: chamber.ExhaustFan, Reports: true}
	var p Plug
	p.Report(spec, chamber.PlugReport{HasOn: true}, t0)
	now, on := t0, false
	for i := range 200 {
		now, on = now.Add(time.Minute), !on
		p.Apply(spec, Want{On: on}, Scene{Now: now, Link: true})
		if p.Pending() != p.Answers {
			t.Fatalf("told to turn: word expected in %v s, want %v", p.Pending(), p.Answers)
		}
		wait := time.Duration(2+i%3) * time.Second
		p.Report(spec, chamber.PlugReport{HasOn: true, On: on}, now.Add(wait))
		p.Report(spec, chamber.PlugReport{HasOn: true, On: on}, now.Add(40*time.Second))
		if p.Pending() != 0 {
			t.Fatalf("having answered: word expected in %v s, want none", p.Pending())
		}
	}
	if math.Abs(p.Answers-3) > 0.3 {
		t.Errorf("answering after 2 to 4 s: %.2f s in the mean, want 3", p.Answers)
	}
}

// A plug that reports nothing is told again now and then. It cannot confirm anything, so nobody is told that it does not.
func TestAPlugThatNeverSpeaksIsOnlyReminded(t *testing.T) {
	b := newBench(mister())
	b.want(false)
	b.wait(BlindRepeat)
	if v := b.want(false); !v.Send || !has(v.Reasons, reason.Remind) || has(v.Reasons, reason.Repeat) {
		t.Errorf("after %s: sent %v, %+v; want it told again, as a reminder", BlindRepeat, v.Send, v.Reasons)
	}
}

// TestABacklogOfAnswersIsNoHand: a plug loses its radio and is told on and off meanwhile. When it is back it does all of it, one after
// the other, and says so. A person who switches later is still seen.
func TestABacklogOfAnswersIsNoHand(t *testing.T) {
	for n := 2; n <= 5; n++ {
		b := restedBench()
		b.spec.MinOn, b.spec.MinOff = 20*time.Second, 20*time.Second
		for i := range n {
			if v := b.plug.Apply(&b.spec, Want{On: i%2 == 0}, Scene{Now: b.now, Link: true, LinkSince: t0}); !v.Turned {
				t.Fatalf("of %d: command %d does not leave: %+v", n, i, v)
			}
			b.wait(21 * time.Second)
		}
		b.report() // off, as it still is
		for i := range n {
			b.wait(10 * time.Millisecond)
			if b.relay = i%2 == 0; b.report() {
				t.Errorf("of %d: the late answer to command %d was taken for a hand", n, i)
			}
		}
		b.wait(OwedFor)
		if b.relay = !b.relay; !b.report() {
			t.Errorf("of %d: a hand at the plug was not seen", n)
		}
	}
}

// TestALostAnswerHidesNoHandForLong: of a command that a plug never heard no answer comes, late or not.
func TestALostAnswerHidesNoHandForLong(t *testing.T) {
	b := restedBench()
	for _, on := range []bool{true, false} {
		b.plug.Apply(&b.spec, Want{On: on}, Scene{Now: b.now, Link: true, LinkSince: t0})
		b.wait(21 * time.Second)
	}
	b.report() // off: it heard neither, or did both
	b.wait(OwedFor)
	if b.relay = true; !b.report() {
		t.Error("a hand at the plug was not seen")
	}
}

package device_test

import (
	"context"
	"maps"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"gillkeeper/bridge/homie/device"
	"gillkeeper/bridge/mqtt"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/species"
)

// running lets a publisher run for the test's time.
func running(t *testing.T, x *device.Publisher, p *post) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() { x.Run(ctx, p) })
	return func() { cancel(); wg.Wait() }
}

func (v *validator) report(t *testing.T) {
	t.Helper()
	for i, f := range v.faults {
		if i == 20 {
			t.Errorf("… and %d more", len(v.faults)-i)
			return
		}
		t.Error(f)
	}
}

// TestDay publishes two chambers over a simulated working day, or with GILLKEEPER_DAYS over so many whole ones, in which people
// act, and judges every message by the convention's text. The rate stays bounded: of any value that moves all the time no more
// than one in ten seconds.
func TestDay(t *testing.T) {
	day := 9 * time.Hour
	if n, err := strconv.Atoi(os.Getenv("GILLKEEPER_DAYS")); err == nil && n > 0 {
		day = time.Duration(n) * 24 * time.Hour
	}
	synctest.Test(t, func(t *testing.T) {
		h := settle(t, day, "loft", "cellar")
		v := newValidator("homie")
		p := newPost(v)
		x := publisher(h, &counts{}, true)
		p.connect(t, x)
		stop := running(t, x, p)
		at := map[time.Duration]string{
			2 * time.Hour: "homie/5/gk-loft/batch-ost-0/stage/set rest", 3 * time.Hour: "homie/5/gk-loft/reservoir/refill/set 1.5",
			4 * time.Hour: "homie/5/gk-cellar/plug-humidifier/hand/set on", 7 * time.Hour: "homie/5/gk-loft/batch-ost-0/stage/set fruiting",
		}
		const step = time.Minute
		for now := time.Duration(0); now < day; now += step {
			h.advance(step)
			if line, ok := at[now]; ok {
				topic, payload, _ := strings.Cut(line, " ")
				p.deliver(topic, payload, false)
			}
			if now == 6*time.Hour {
				if _, err := h.act(t.Context(), "cellar", policy.Action{ID: "second", Kind: policy.BatchAdd, Batch: "second",
					Species: "hericium-erinaceus", Stage: species.Fruiting, SubstrateKg: 5, DryKg: 1.5}); err != nil {
					t.Fatal(err)
				}
			}
			if now == 8*time.Hour {
				if _, err := h.act(t.Context(), "cellar", policy.Action{ID: "retire", Kind: policy.BatchRetire, Batch: "ost-1"}); err != nil {
					t.Fatal(err)
				}
			}
			time.Sleep(step)
		}
		stop()
		v.report(t)
		for topic, times := range p.times {
			numeric := !strings.Contains(topic, "$") && !strings.Contains(topic, "/plug-") && !strings.Contains(topic, "fresh")
			described := p.times["homie/5/"+strings.Split(topic, "/")[2]+"/$description"] // brings everything anew
			for i := 1; numeric && i < len(times); i++ {
				gap := times[i].Sub(times[i-1])
				if gap < 10*time.Second && !slices.Contains(described, times[i]) {
					t.Fatalf("%s: two values within %v", topic, gap)
				}
			}
		}
		for _, dev := range []string{"gk-loft", "gk-cellar"} {
			k := v.kinds[dev]
			t.Logf("%s: %v, of %d messages in all", dev, k, p.sent)
			if days := day.Hours() / 24; float64(k["value"]) < 5000*days || float64(k["$target"]) < 50*days || k["$description"] < 2 || float64(k["$description"]) > 60*days {
				t.Errorf("%s: %v in %v", dev, k, day)
			}
		}
		if v.kinds["gk-loft"]["$alert"]+v.kinds["gk-cellar"]["$alert"] == 0 {
			t.Error("no alert in " + day.String() + " without a person")
		}
		if len(h.done()) != 6 {
			t.Errorf("%d actions, want 4 by topic and 2 by hand", len(h.done()))
		}
		if p.holds("homie/5/gk-cellar/batch-ost-1/stage") != "" || p.holds("homie/5/gk-cellar/batch-second/stage") != "fruiting" {
			t.Error("batches are not shown as they are")
		}
	})
}

// TestSet: what controllers set is done, or refused, counted and answered; a retained command is never obeyed.
func TestSet(t *testing.T) {
	for _, tc := range []struct {
		topic, payload string
		retained       bool
		want           string // what the action was; "!" and a part of the log message when refused; "" when passed over
	}{
		{"homie/5/gk-loft/batch-ost-0/stage/set", "pinning", false, "stage_set ost-0 pinning"},
		{"homie/5/gk-loft/batch-ost-0/stage/set", "fruiting", false, "stage_set ost-0 fruiting"}, // as it is already
		{"homie/5/gk-loft/plug-humidifier/hand/set", "on", false, "hand humidifier on 15m0s"},
		{"homie/5/gk-loft/plug-humidifier/hand/set", "auto", false, "hand humidifier auto 15m0s"},
		{"homie/5/gk-loft/reservoir/refill/set", "1.5", false, "refill 1.5"},
		{"homie/5/gk-loft/batch-ost-0/stage/set", "pinning", true, ""},
		{"homie/5/gk-loft/batch-ost-0/stage/set", "", false, ""},
		{"homie/5/gk-nowhere/batch-ost-0/stage/set", "pinning", false, ""},
		{"homie/5/gk-loft/batch-ost-0/stage/set", "Pinning", false, "!is none of colonization, pinning, fruiting, rest"},
		{"homie/5/gk-loft/batch-ost-0/stage/set", " pinning", false, "!is none of"},
		{"homie/5/gk-loft/batch-other/stage/set", "pinning", false, "!not a property that can be set"},
		{"homie/5/gk-loft/air/humidity/set", "90", false, "!not a property that can be set"},
		{"homie/5/gk-loft/plug-humidifier/on/set", "true", false, "!not a property that can be set"},
		{"homie/5/gk-loft/reservoir/refill/set", "lots", false, "!is not a number"},
		{"homie/5/gk-loft/reservoir/refill/set", "NaN", false, "!is not a number"},
		{"homie/5/gk-loft/reservoir/refill/set", "-1", false, "!outside"},
		{"homie/5/gk-loft/reservoir/refill/set", "9999", false, "!outside"},
		{"homie/5/gk-loft/plug-humidifier/hand/set", strings.Repeat("x", 60000), false, "!is none of"},
		{"homie/5/gk-loft/plug-humidifier/hand/set", "\xff\x00\n", false, "!is none of"},
	} {
		synctest.Test(t, func(t *testing.T) {
			h := settle(t, time.Hour, "loft")
			h.advance(5 * time.Minute)
			v, c := newValidator("homie"), &counts{}
			p := newPost(v)
			x := publisher(h, c, true)
			p.connect(t, x)
			stop := running(t, x, p)
			before := p.holds(strings.TrimSuffix(tc.topic, "/set"))
			p.deliver(tc.topic, tc.payload, tc.retained)
			synctest.Wait()
			stop()
			v.report(t)
			var did string
			for _, a := range h.done() {
				if a.By != "topic" || a.ID == "" {
					t.Errorf("%s: by %q, id %q", tc.topic, a.By, a.ID)
				}
				switch a.Kind {
				case policy.StageSet:
					did += "stage_set " + a.Batch + " " + a.Stage.String()
				case policy.HandSet:
					did += "hand " + a.Plug + " " + string(a.Hand) + " " + a.For.String()
				case policy.Refilled:
					did += "refill 1.5"
				}
			}
			reason, refused := strings.CutPrefix(tc.want, "!")
			switch {
			case refused:
				if did != "" || len(p.told) != 1 || !strings.HasPrefix(p.told[0], "homie/5/gk-loft/$log/warn ") || !strings.Contains(p.told[0], reason) ||
					len(p.told[0]) > 400 || strings.ContainsAny(p.told[0], "\n\x00") || c.of(mqtt.BadPayload) != 1 {
					t.Errorf("%s %.20q: did %q, told %q, counted %v; want a refusal with %q", tc.topic, tc.payload, did, p.told, c.by, reason)
				}
			case did != tc.want:
				t.Errorf("%s %.20q: did %q, want %q", tc.topic, tc.payload, did, tc.want)
			case did == "":
				if now := p.holds(strings.TrimSuffix(tc.topic, "/set")); now != before || tc.retained && c.of(mqtt.Retained) != 1 {
					t.Errorf("%s: %q became %q, counted %v", tc.topic, before, now, c.by)
				}
			case strings.HasSuffix(tc.topic, "refill/set"):
				if !slices.Contains(p.told, "homie/5/gk-loft/reservoir/refill 1.5") || c.of(mqtt.OK) != 1 {
					t.Errorf("refill: told %q, counted %v; want the value as an event", p.told, c.by)
				}
			default: // the very bytes in $target, and then the value
				if p.holds(strings.TrimSuffix(tc.topic, "/set")+"/$target") != tc.payload || p.holds(strings.TrimSuffix(tc.topic, "/set")) != tc.payload || c.of(mqtt.OK) != 1 {
					t.Errorf("%s %s: the broker holds %q", tc.topic, tc.payload, p.holds(strings.TrimSuffix(tc.topic, "/set")))
				}
			}
		})
	}
}

// TestNotSettable: where the configuration does not allow it, nothing claims to be settable and nothing is heard.
func TestNotSettable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := settle(t, time.Hour, "loft")
		v := newValidator("homie")
		p := newPost(v)
		x := publisher(h, &counts{}, false)
		p.connect(t, x)
		stop := running(t, x, p)
		p.deliver("homie/5/gk-loft/batch-ost-0/stage/set", "pinning", false)
		synctest.Wait()
		stop()
		v.report(t)
		for topic, payload := range p.retained() {
			if strings.Contains(payload, "settable") {
				t.Errorf("%s: %s", topic, payload)
			}
		}
		for _, l := range p.listen {
			if strings.HasSuffix(l.Filter, "/set") {
				t.Errorf("listens to %s", l.Filter)
			}
		}
		if len(h.done()) > 0 {
			t.Errorf("did %+v", h.done())
		}
	})
}

// TestRetainedReading: what the broker kept of a sensor is shown before the sensor speaks, as the last that is known.
func TestRetainedReading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := settle(t, time.Hour, "loft")
		r := h.all[0]
		r.s = r.p.Fresh(morning)
		in := policy.Input{Now: morning.Add(time.Second), Wall: morning.Add(time.Second), Link: true}
		for i, s := range r.p.Spec.Sensors {
			if s.Place == chamber.Inside && s.Quantity == chamber.RelativeHumidity {
				in.Readings = append(in.Readings, chamber.Reading{Sensor: i, Value: 0.71, Retained: true})
			}
		}
		r.Step(in)
		v := newValidator("homie")
		p := newPost(v)
		x := publisher(h, &counts{}, false)
		p.connect(t, x)
		stop := running(t, x, p)
		synctest.Wait()
		stop()
		v.report(t)
		if value, fresh := p.holds("homie/5/gk-loft/air/humidity"), p.holds("homie/5/gk-loft/air/humidity-fresh"); value != "71" || fresh != "false" {
			t.Errorf("humidity %q, fresh %q", value, fresh)
		}
	})
}

// TestCommandFlood: more commands than can be done are dropped and counted; a session is never held up.
func TestCommandFlood(t *testing.T) {
	h := settle(t, time.Hour, "loft")
	c := &counts{}
	x := publisher(h, c, true)
	p := newPost(newValidator("homie"))
	p.connect(t, x) // and nobody runs
	for range 1000 {
		p.deliver("homie/5/gk-loft/batch-ost-0/stage/set", "pinning", false)
	}
	if n := c.of(mqtt.BadPayload); n < 900 {
		t.Errorf("%d of 1000 counted as dropped", n)
	}
}

// TestControllersThatAnswerEachOther: what they set goes into the journal for good, so it is done for a while and then at a pace; the other
// chamber is none the worse.
func TestControllersThatAnswerEachOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := settle(t, time.Hour, "loft", "cellar")
		h.advance(5 * time.Minute)
		v, c := newValidator("homie"), &counts{}
		p := newPost(v)
		x := publisher(h, c, true)
		p.connect(t, x)
		stop := running(t, x, p)
		defer stop()
		play := func(chamber string, times int, pause time.Duration) int {
			before := len(h.done())
			for i := range times {
				p.deliver("homie/5/gk-"+chamber+"/plug-humidifier/hand/set", []string{"on", "off"}[i%2], false)
				time.Sleep(pause)
			}
			synctest.Wait()
			return len(h.done()) - before
		}
		if n := play("loft", 600, 100*time.Millisecond); n < 35 || n > 45 { // 20 at once, and one every 3 s of a minute
			t.Errorf("%d of 600 in a minute were done, want 40", n)
		}
		if n := play("cellar", 10, 100*time.Millisecond); n != 10 {
			t.Errorf("%d of 10 in the other chamber were done", n)
		}
		if !slices.ContainsFunc(p.told, func(s string) bool { return strings.Contains(s, "two controllers") }) {
			t.Errorf("nobody is told why: %q", p.told)
		}
		time.Sleep(5 * time.Minute)
		if n := play("loft", 20, 0); n != 20 {
			t.Errorf("%d of 20 were done after a rest", n)
		}
	})
}

// TestLeftovers: after a restart with other chambers, plugs and alarms the broker holds nothing of what is gone, and
// nothing of other people's devices was touched.
func TestLeftovers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		v := newValidator("homie")
		p := newPost(v)
		before := settle(t, 2*time.Hour, "loft", "cellar")
		before.advance(5 * time.Minute)
		first := publisher(before, &counts{}, true)
		p.connect(t, first)
		stop := running(t, first, p)
		time.Sleep(time.Minute)
		stop() // as if killed: no farewell
		strangers := map[string]string{
			"homie/5/other/$state": "ready", "homie/5/other/$description": `{"homie":"5.0","version":1,"root":"gk-like"}`,
			"homie/5/gk-2/$description": `{"homie":"5.0","version":1}`, "homie/5/gk-2/$state": "ready", "homie/5/gk-2/$alert/x": "x",
			"homie/5/gk-3/$description": `{"homie":`,
		}
		maps.Copy(p.kept, strangers)
		p.kept["homie/5/gk-loft/$alert/no-longer"] = "an alarm that is over"
		after := settle(t, 2*time.Hour, "loft", "attic")
		after.advance(5 * time.Minute)
		after.all[0].p.Spec.Plugs = after.all[0].p.Spec.Plugs[:0:0]
		second := publisher(after, &counts{}, true)
		if _, err := after.act(t.Context(), "loft", policy.Action{ID: "r", Kind: policy.BatchRetire, Batch: "ost-0"}); err != nil {
			t.Fatal(err)
		}
		p.connect(t, second)
		stop = running(t, second, p)
		time.Sleep(time.Minute)
		stop()
		held := p.retained()
		for topic, times := range p.times {
			if n := len(times); strings.HasPrefix(topic, "homie/5/gk-loft/air/") && strings.HasSuffix(topic, "$target") {
				t.Errorf("%s, which never was, is cleared %d times", topic, n)
			}
		}
		for topic := range held {
			gone := strings.HasPrefix(topic, "homie/5/gk-cellar/") || strings.HasPrefix(topic, "homie/5/gk-loft/batch-") || strings.HasSuffix(topic, "no-longer")
			if gone {
				t.Errorf("%s is still there", topic)
			}
		}
		for topic, payload := range strangers {
			if held[topic] != payload {
				t.Errorf("somebody else's %s became %q", topic, held[topic])
			}
		}
		if !strings.Contains(held["homie/5/gk/$description"], `"children":["gk-attic","gk-loft"]`) {
			t.Errorf("the root says %s", held["homie/5/gk/$description"])
		}
	})
}

// TestFarewellAndWithdraw: at an end on purpose every chamber says so; taken back, nothing is left.
func TestFarewellAndWithdraw(t *testing.T) {
	h := settle(t, time.Hour, "loft", "cellar")
	h.advance(5 * time.Minute)
	p := newPost(newValidator("homie"))
	x := publisher(h, &counts{}, true)
	p.connect(t, x)
	if err := p.presence.Farewell(t.Context(), func(name string, payload []byte, retain bool) error {
		return p.Publish(t.Context(), name, payload, retain)
	}); err != nil {
		t.Fatal(err)
	}
	for _, id := range []string{"gk-loft", "gk-cellar"} {
		if s := p.holds("homie/5/" + id + "/$state"); s != "disconnected" {
			t.Errorf("%s is %q", id, s)
		}
	}
	if err := x.Withdraw(t.Context(), p); err != nil {
		t.Fatal(err)
	}
	if left := p.retained(); len(left) > 0 {
		t.Errorf("left: %v", slices.Sorted(maps.Keys(left)))
	}
}

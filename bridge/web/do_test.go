package web_test

import (
	"html"
	"net/url"
	"strings"
	"testing"
	"time"

	"gillkeeper/bridge/web"
	"gillkeeper/policy"
	"gillkeeper/policy/species"
)

// TestDoing does each action from the page without any script, and takes it back where it can be.
func TestDoing(t *testing.T) {
	for _, c := range []struct {
		name, form, what string
		fill             map[string]string
		sure             []string // what is shown before it is done; nil: it is done at once
		done             string
		holds            func(s *policy.State) bool
		undone           func(s *policy.State) bool // nil: nothing takes it back
	}{
		{"pick", "do/pick?chamber=loft&batch=oyster-12", "pick", map[string]string{"fresh_g": "840,5"},
			[]string{"840 g", "Biological efficiency", "20 %"}, "840 g of oyster-12 written down.",
			func(s *policy.State) bool { return s.Crop.Batches[0].FreshG() == 840.5 },
			func(s *policy.State) bool { return s.Crop.Batches[0].FreshG() == 0 }},
		{"flush done", "do/pick?chamber=loft&batch=oyster-12", "pick", map[string]string{"fresh_g": "", "done": "yes"},
			[]string{"fruiting", "rest", "Humidity"}, "Flush of oyster-12 closed.",
			func(s *policy.State) bool { return s.Crop.Batches[0].Stage == species.Rest },
			func(s *policy.State) bool { return s.Crop.Batches[0].Stage == species.Fruiting }},
		{"stage", "do/stage?chamber=loft&batch=oyster-12", "stage", map[string]string{"stage": "pinning"},
			[]string{"Stage of oyster-12", "pinning", "Humidity", "85–90 %"}, "oyster-12 is in pinning now.",
			func(s *policy.State) bool { return s.Crop.Batches[0].Stage == species.Pinning },
			func(s *policy.State) bool { return s.Crop.Batches[0].Stage == species.Fruiting }},
		{"batch", "do/batch?chamber=nursery", "batch", map[string]string{"name": "Lion-1", "species": "hericium-erinaceus",
			"substrate_kg": "3.5", "dry_kg": "1,4", "stage": "pinning", "strain": "<b>wild</b>"},
			[]string{"lion-1, Hericium erinaceus, 3.5 kg", "nothing wanted"}, "lion-1 is put in.",
			func(s *policy.State) bool { return len(s.Crop.Batches) == 1 && s.Crop.Batches[0].DryKg == 1.4 },
			func(s *policy.State) bool { return len(s.Crop.Batches) == 0 }},
		{"retire", "do/retire?chamber=loft&batch=oyster-12", "retire", nil,
			[]string{"taken out; its figures stay", "nothing wanted"}, "oyster-12 is taken out.",
			func(s *policy.State) bool { return !s.Crop.Batches[0].Retired.IsZero() },
			func(s *policy.State) bool { return s.Crop.Batches[0].Retired.IsZero() }},
		{"refill", "do/refill?chamber=loft", "refill", map[string]string{"liters": "3,2"}, nil, "The filling is written down.",
			func(s *policy.State) bool { return s.Reservoir.Liters == 3.2 },
			func(s *policy.State) bool { return s.Reservoir.Liters > 3.3 }},
		{"refill and cleaned", "do/refill?chamber=loft", "refill", map[string]string{"liters": "3", "cleaned": "yes"}, nil, "The filling is written down.",
			func(s *policy.State) bool { return s.Reservoir.Liters == 3 && s.Reservoir.Uncleaned == 0 },
			func(s *policy.State) bool { return s.Reservoir.Liters > 3.3 && s.Reservoir.Uncleaned > 0 }},
		{"hand", "do/hand?chamber=loft&plug=mister", "hand", map[string]string{"hand": "on", "for": "15m0s"},
			[]string{"The humidifier (mister)", "is on for 15 min"}, "mister is on for 15 min.",
			func(s *policy.State) bool { return s.Plugs[0].Hand.Active && s.Plugs[0].Hand.On },
			func(s *policy.State) bool { return !s.Plugs[0].Hand.Active }},
		{"ack", "do/ack?chamber=cellar&alarm=humidity_low", "ack", map[string]string{"note": "on my way"}, nil, "Acknowledged.",
			func(s *policy.State) bool { return s.Alarms.Of("humidity_low").Phase.String() == "acknowledged" },
			func(s *policy.State) bool { return s.Alarms.Of("humidity_low").Phase.String() == "unacknowledged" }},
		{"shelve", "do/shelve?chamber=cellar&alarm=humidity_low", "shelve", map[string]string{"for": "4h0m0s"}, nil, "Put off for 4 h.",
			func(s *policy.State) bool { return s.Alarms.Of("humidity_low").Phase.String() == "shelved" },
			func(s *policy.State) bool { return s.Alarms.Of("humidity_low").Phase.String() != "shelved" }},
		{"note", "do/note?chamber=loft&batch=oyster-12", "note", map[string]string{"note": "pins all over"}, nil, "The note is written down.",
			func(s *policy.State) bool { return true }, func(s *policy.State) bool { return true }},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := serve(t, nil)
			state := func() *policy.State {
				name, _ := url.ParseQuery(c.form[strings.Index(c.form, "?")+1:])
				snap, _ := s.Snapshot(name.Get("chamber"))
				return &snap.State
			}
			b := browse(t, s.url).open(c.form)
			if b.status != 200 {
				t.Fatalf("the form: %d %s", b.status, b.body)
			}
			b.submit("do/"+c.what, c.fill)
			if c.sure != nil {
				if c.holds(state()) && c.name != "note" {
					t.Fatal("it was done without asking")
				}
				b.holds(c.sure...).submit("do/"+c.what, nil)
			}
			b.holds(c.done)
			if !strings.HasPrefix(b.at.Path, "/chamber/") {
				t.Errorf("it leads to %s", b.at)
			}
			if !c.holds(state()) {
				t.Fatal("it was not done")
			}
			if c.undone == nil {
				if strings.Contains(b.body, "do/undo") {
					t.Error("it offers to take back what cannot be")
				}
				return
			}
			b.submit("do/undo", nil)
			if b.status != 200 || !c.undone(state()) {
				t.Errorf("it was not taken back: %d %s", b.status, html.UnescapeString(b.body))
			}
		})
	}
}

// TestRefusedForms: what is wrong is said beside the form, which keeps what was typed.
func TestRefusedForms(t *testing.T) {
	s := serve(t, nil)
	for _, c := range []struct {
		form, what string
		fill       map[string]string
		says, kept string
	}{
		{"do/pick?chamber=loft&batch=oyster-12", "pick", map[string]string{"fresh_g": "1,234.5", "note": "<i>big</i>"}, "is not a number", "1,234.5"},
		{"do/pick?chamber=loft&batch=oyster-12", "pick", map[string]string{"fresh_g": "99999"}, "at most twice the substrate", "99999"},
		{"do/pick?chamber=loft&batch=oyster-12", "pick", map[string]string{"fresh_g": "0x10"}, "is not a number", "0x10"},
		{"do/pick?chamber=loft&batch=oyster-12", "pick", map[string]string{"fresh_g": "NaN"}, "is not a number", "NaN"},
		{"do/refill?chamber=loft", "refill", map[string]string{"liters": "50"}, "the reservoir holds 5 L", "50"},
		{"do/hand?chamber=loft&plug=mister", "hand", map[string]string{"hand": "on", "for": "8h0m0s"}, "the longest run of plug mister is 30m", "8 h"},
		{"do/batch?chamber=loft", "batch", map[string]string{"name": "Über 3", "species": "pleurotus-ostreatus", "substrate_kg": "3", "dry_kg": "1"}, "über 3", "Über 3"},
		{"do/batch?chamber=loft", "batch", map[string]string{"name": "new-3", "substrate_kg": "3", "dry_kg": "1"}, "Choose the species", "new-3"},
		{"do/pick?chamber=loft&batch=oyster-12", "pick", map[string]string{"fresh_g": ""}, "A number is missing", ""},
		{"do/note?chamber=loft&batch=oyster-12", "note", map[string]string{"note": "  "}, "write something", ""},
		{"do/note?chamber=loft&batch=oyster-12", "note", map[string]string{"note": strings.Repeat("ä", 300)}, "at most 500 bytes", "ää"},
	} {
		b := browse(t, s.url).open(c.form).submit("do/"+c.what, c.fill)
		if b.status != 422 {
			t.Errorf("%v: %d", c.fill, b.status)
		}
		b.holds(c.says, c.kept, `role="alert"`)
		if strings.Contains(b.body, "<i>big") {
			t.Error("typed text is taken as markup")
		}
	}
}

// TestTheSameFormTwice: wet fingers tap twice.
func TestTheSameFormTwice(t *testing.T) {
	s := serve(t, nil)
	b := browse(t, s.url).open("do/pick?chamber=loft&batch=oyster-12").submit("do/pick", map[string]string{"fresh_g": "100"})
	page := *b
	b.submit("do/pick", nil)
	page.submit("do/pick", nil)
	snap, _ := s.Snapshot("loft")
	if got := snap.State.Crop.Batches[0].FreshG(); got != 100 {
		t.Errorf("%g g were picked", got)
	}
}

// TestFormsOfElsewhere: a form that does not come from this browser's own page does nothing, whatever it carries.
func TestFormsOfElsewhere(t *testing.T) {
	s := serve(t, nil)
	mine, other := browse(t, s.url).open("do/refill?chamber=loft"), browse(t, s.url).open("do/refill?chamber=loft")
	_, fields := mine.form("do/refill")
	fields.Set("liters", "1")
	post := func(b *browser, f url.Values, headers ...string) int {
		h := append([]string{"Content-Type", "application/x-www-form-urlencoded"}, headers...)
		if c := b.client.Jar.Cookies(b.at); len(c) > 0 {
			h = append(h, "Cookie", c[0].String())
		}
		status, _, _ := s.ask(t, "POST", "/do/refill", f.Encode(), h...)
		return status
	}
	none := url.Values{}
	for k, v := range fields {
		if k != "form" {
			none[k] = v
		}
	}
	for name, got := range map[string]int{
		"without the form's token":     post(mine, none),
		"from another browser":         post(other, fields),
		"by a page of another origin":  post(mine, fields, "Origin", "https://evil.example"),
		"cross-site":                   post(mine, fields, "Sec-Fetch-Site", "cross-site"),
		"from another port's page":     post(mine, fields, "Sec-Fetch-Site", "same-site"),
		"under a name that is not his": post(mine, fields, "Host", "evil.example"),
		"as another kind of content":   post(mine, fields, "Content-Type", "text/plain"),
	} {
		if got != 403 && got != 415 && got != 421 {
			t.Errorf("%s: %d", name, got)
		}
	}
	if snap, _ := s.Snapshot("loft"); snap.State.Reservoir.Liters < 4 {
		t.Error("one of them acted")
	}
	if got := post(mine, fields); got != 303 {
		t.Errorf("the true form: %d", got)
	}
}

func TestUndoIsOverAfterAMinute(t *testing.T) {
	s := serve(t, nil)
	b := browse(t, s.url).open("do/note?chamber=loft&batch=oyster-12").submit("do/note", map[string]string{"note": "x"})
	_, fields := b.form("do/undo")
	b.submit("do/undo", nil)
	b.open("/do/note?chamber=loft&batch=oyster-12").submit("do/note", map[string]string{"note": "y"})
	b.submit("do/undo", map[string]string{"id": fields.Get("id")}) // taken back already
	if b.status != 410 {
		t.Errorf("twice taken back: %d", b.status)
	}
	if d := web.UndoFor; d != time.Minute {
		t.Errorf("%s to take back", d)
	}
}

// TestHandsAreTakenBack: who takes back a change of hands finds the plug in the hand in which it was.
func TestHandsAreTakenBack(t *testing.T) {
	s := serve(t, nil)
	hand := func() (active, on bool) {
		snap, _ := s.Snapshot("loft")
		h := snap.State.Plugs[2].Hand
		return h.Active, h.On
	}
	do := func(fill map[string]string) *browser {
		b := browse(t, s.url).open("do/hand?chamber=loft&plug=lamp").submit("do/hand", fill)
		return b.submit("do/hand", nil)
	}
	do(map[string]string{"hand": "off", "for": "1h0m0s"}).holds("lamp is off for 1 h.", "Give it back")
	b := do(map[string]string{"hand": "on", "for": "15m0s"}).holds("lamp is on for 15 min.", "Keep it off by hand")
	if active, on := hand(); !active || !on {
		t.Fatal("the lamp is not in hand and on")
	}
	b.submit("do/undo", nil)
	if active, on := hand(); !active || on {
		t.Error("the lamp is not as it was: in hand and off")
	}
	b = do(map[string]string{"hand": "auto", "for": "15m0s"}).holds("gillkeeper has lamp back.", "Keep it off by hand")
	b.submit("do/undo", nil)
	if active, on := hand(); !active || on {
		t.Error("the lamp was not given back into the hand in which it was")
	}
	// How long a plug may run is said before it is asked for.
	browse(t, s.url).open("do/hand?chamber=loft&plug=mister").holds("on, for 30 min at the most")
}

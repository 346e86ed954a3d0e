package browsertest

import (
	"fmt"
	"os"
	"strings"
	"testing"
)

// TestActions does each action end to end: on a phone, and on a desktop with script off.
func TestActions(t *testing.T) {
	t.Parallel()
	quiet := desktop
	quiet.noScript = true
	for _, c := range []struct {
		chamber string
		screen  screen
	}{{"cellar", phone}, {"attic", quiet}} {
		t.Run(fmt.Sprintf("%s, script %v", c.screen.name, !c.screen.noScript), func(t *testing.T) {
			t.Parallel()
			x := open(t, commonFarm(t).url, c.screen).login()
			batch, page := "lion-"+c.screen.name, "/chamber/"+c.chamber
			const button = ".doing button[type=submit]"

			x.goTo(page).click(`a[href*="do/batch"]`).sees("Put in a batch")
			x.fill("#f-name", batch).fill("#f-species", "hericium-erinaceus").fill("#f-wet", "3,5").fill("#f-dry", "1.4").click(`label[for="f-pinning"]`)
			x.click(button).sees("This will happen", "Hericium erinaceus", "nothing wanted").click(button).sees(batch+" is put in.", "pinning, day 1")

			x.goTo(page).click(`a[href*="do/stage"]`).sees("Change the stage").click(`label[for="f-fruiting"]`)
			x.click(button).sees("Stage of "+batch, "pinning", "fruiting").click(button).sees(batch + " is in fruiting now.")

			x.goTo(page).click(`a[href*="do/pick"]`).fill("#f-g", "420").click(`label[for="f-done"]`)
			x.click(button).sees("420 g", "30 %", "rest").click(button).sees("420 g of "+batch+" written down.", "rest, day 1")
			x.click("#done button").sees("Taken back.", "fruiting, day 1")

			x.goTo(page).click(`a[href*="do/refill"]`).fill("#f-l", "3").click(button).sees("The filling is written down.", "3.0 L")

			x.goTo(page).click(`a[href*="plug=lamp"]`).sees("Take a plug in hand").click(`label[for="f-on"]`)
			x.click(button).sees("The lamp", "is on for 15 min").click(button).sees("lamp is on for 15 min.", "on, by hand")
			x.click("#done button").sees("gillkeeper has lamp back.")

			x.goTo(page).click(`a[href*="do/note"]`).fill("#f-note", "<b>first pins</b>").click(button).sees("The note is written down.")

			x.goTo(page).click(`a[href*="do/retire"]`).sees("Take the batch out").click(button).sees("its figures stay")
			x.click(button).sees(batch+" is taken out.", "Nothing is growing here.")
			x.click("#done button").sees("Taken back.", "fruiting, day 1")

			x.goTo("/chamber/"+badName).click(`a[href*="do/refill"]`).click(button).sees("The filling is written down.", badName)
		})
	}
}

// TestAlarms acknowledges an alarm and puts it off.
func TestAlarms(t *testing.T) {
	t.Parallel()
	x := open(t, commonFarm(t).url, phone).login()
	x.goTo("/do/ack?chamber=loft&alarm=humidity_low").sees("Acknowledge", "The air is too dry")
	x.click(".doing button[type=submit]")
	x.until("an answer", func() bool {
		s := x.text()
		return strings.Contains(s, "Acknowledged.") || strings.Contains(s, "there is nothing to acknowledge")
	})
	x.goTo("/do/shelve?chamber=loft&alarm=humidity_low").fill("#f-for", "4h0m0s").click(".doing button[type=submit]").sees("Put off for 4 h.")
	x.click("#done button").sees("Taken back.")
}

// TestAMarkHasTheColorOfItsValue: a value in its range is not drawn as one outside it because its chamber has an alarm.
func TestAMarkHasTheColorOfItsValue(t *testing.T) {
	t.Parallel()
	x := open(t, commonFarm(t).url, desktop).login()
	x.goTo("/").sees("Humidity")
	for _, gauge := range []string{"fine", "look"} {
		colors := eval[[]string](x, `(() => {
			const card = document.querySelector(".card:has(.gauge)"), g = card.querySelector(".gauge");
			card.className = "card look";
			g.className = "gauge `+gauge+`";
			return [getComputedStyle(g.querySelector(".mark")).fill, getComputedStyle(g.querySelector(".value")).color];
		})()`)
		if len(colors) != 2 || colors[0] != colors[1] {
			t.Errorf("of a gauge that is %s, mark and value have the colors %q", gauge, colors)
		}
	}
}

// TestPlugsOnAPhone: the name of a plug is not broken within a word, however long is said what it does beside its button.
func TestPlugsOnAPhone(t *testing.T) {
	t.Parallel()
	x := open(t, commonFarm(t).url, phone).login()
	x.goTo("/chamber/loft").sees("What runs, and why", "humidifier")
	broken := eval[[]string](x, `(() => {
		const out = [];
		for (const name of document.querySelectorAll(".plugrow .name")) {
			name.parentElement.querySelector(".state").textContent = "off, by hand";
			const text = name.firstChild, all = text.data, range = document.createRange();
			for (const m of all.matchAll(/\S+/g)) {
				range.setStart(text, m.index);
				range.setEnd(text, m.index + m[0].length);
				if (range.getClientRects().length > 1) out.push(m[0]);
			}
		}
		return out;
	})()`)
	if len(broken) > 0 {
		t.Errorf("broken over two lines: %q", broken)
	}
}

// TestLive: what changes elsewhere is seen without looking again; the daemon's restart in the middle is said and got over.
func TestLive(t *testing.T) {
	t.Parallel()
	f := ownFarm(t)
	x := open(t, f.url, phone).login()
	x.goTo("/").sees("loft", "cellar")
	eval[int](x, `window.stays = 1`)
	other := open(t, f.url, desktop).login()
	other.goTo("/do/hand?chamber=loft&plug=lamp").click(`label[for="f-off"]`).click(".doing button[type=submit]").sees("This will happen").click(".doing button[type=submit]")
	x.sees("off, by hand")

	other.goTo("/do/refill?chamber=loft").fill("#f-l", "2.5")
	if err := f.stop(); err != nil {
		t.Error(err)
	}
	x.sees("gillkeeper does not answer")
	x.keep("gone-phone")
	f.start(t)
	x.until("the notice goes", func() bool { return !strings.Contains(x.text(), "gillkeeper does not answer") })
	other.click(".doing button[type=submit]").sees("The filling is written down.") // a form from before the restart
	x.sees("2.5 L")
	if eval[int](x, `window.stays || 0`) != 1 {
		t.Error("the page was loaded anew instead of being kept fresh")
	}
}

// TestReadingOff: the slider and pointing read values off; the reasons of that minute are shown in place.
func TestReadingOff(t *testing.T) {
	t.Parallel()
	x := open(t, commonFarm(t).url, phone)
	x.goTo("/chamber/loft").sees("What happened", "Humidity")
	eval[bool](x, `(() => { const s = document.getElementById("probe-at"); s.value = 100; return s.dispatchEvent(new Event("input")); })()`)
	says := eval[string](x, `document.getElementById("probe-says").textContent`)
	if !strings.Contains(says, "Humidity ") || !strings.Contains(says, "CO2 ") || !strings.Contains(says, "ppm") {
		t.Errorf("the slider reads %q", says)
	}
	before := eval[string](x, `document.querySelector("#plots .plot .cursor").getAttribute("d")`)
	x.click("#plots .plot svg")
	if after := eval[string](x, `document.querySelector("#plots .plot .cursor").getAttribute("d")`); after == before {
		t.Error("pointing at a drawing moves nothing")
	}
	x.sees("As decided at")
	x.goTo("/chamber/loft").click("#probe-why").sees("As decided at")
}

func TestWrongToken(t *testing.T) {
	t.Parallel()
	x := open(t, commonFarm(t).url, phone)
	x.goTo("/chamber/loft")
	// By script: on a busy machine the page grew between the look for the link and the click, which then hit the next link.
	eval[bool](x, `(() => { document.querySelector('a[href*="do/pick"]').click(); return true; })()`)
	x.sees("Log in")
	x.fill("#f-token", "not it").click("form button").sees("This token is wrong.")
	x.keep("wrong-token-phone")
	x.fill("#f-token", token).click("form.doing button").sees("Pick", "Fresh weight")
	if got := eval[string](x, `document.cookie`); got != "" {
		t.Errorf("script can read %q", got)
	}
	x.click(`form[action*="logout"] button`).sees("Log in")
}

// view is one page that is looked at.
type view struct{ name, path string }

// TestViews looks at every view: nothing wider than the screen, nothing too small to tap, nothing that axe finds serious.
func TestViews(t *testing.T) {
	t.Parallel()
	axe := axeSource(t)
	dark := phone
	dark.dark, dark.name = true, "phone-dark"
	narrow := screen{name: "narrow", width: 320, height: 640} // WCAG 2.2, criterion 1.4.10
	tablet := screen{name: "tablet", width: 768, height: 1024}
	wide := screen{name: "wide", width: 1440, height: 900, dark: true}
	views := []view{
		{"site", "/"}, {"chamber", "/chamber/loft"}, {"week", "/chamber/loft?span=7d"}, {"flush", "/chamber/loft?span=flush"}, {"bad-name", "/chamber/" + badName},
		{"pick", "/do/pick?chamber=loft&batch=oyster-1"}, {"batch", "/do/batch?chamber=loft"}, {"hand", "/do/hand?chamber=loft&plug=mister"},
		{"refill", "/do/refill?chamber=loft"}, {"stage", "/do/stage?chamber=loft&batch=oyster-1"}, {"login", "/login"}, {"missing", "/chamber/none"},
		{"diagnose", "/chamber/loft/diagnose?sign=cracked-caps&sign=long-stems"}, {"report", "/report"}, {"outlook", "/chamber/loft/outlook"},
	}
	checked := map[screen]rules{dark: everyRule, desktop: ofScreen}
	// A page is loaded once and then shown on every screen; half of the pages in one tab, half in another.
	seen := append([]screen{dark, narrow}, screens(desktop, wide, tablet)...)
	for i, name := range []string{"one half", "other half"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			x := open(t, commonFarm(t).url, dark).login()
			lookAll := func(name string) {
				for _, s := range seen {
					x.as(s).look(name, s, axe, checked[s])
				}
			}
			for j, v := range views {
				if j%2 == i {
					x.as(dark).goTo(v.path)
					lookAll(v.name)
				}
			}
			if i == 1 { // which has one view less
				x.as(dark).goTo("/do/stage?chamber=loft&batch=oyster-1").click(`label[for="f-rest"]`).click(".doing button[type=submit]").sees("This will happen")
				lookAll("sure")
			}
		})
	}
}

// screens gives all of them where pictures are asked for, else all but the last, which shows nothing that the others do not.
func screens(all ...screen) []screen {
	if os.Getenv("GILLKEEPER_PICTURES") == "" {
		return all[:len(all)-1]
	}
	return all
}

// look holds the page against what every view must keep, and keeps a picture of it where that is asked for.
func (x *tab) look(name string, s screen, axe string, r rules) {
	x.t.Helper()
	x.until(name+" is loaded", func() bool { return eval[string](x, "document.readyState") == "complete" })
	x.keep(name + "-" + s.name)
	eval[bool](x, `(() => { document.querySelectorAll("details").forEach((d) => { d.open = true; }); return true; })()`)
	// On a phone innerWidth grows with what is too wide.
	if over := eval[int](x, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
		x.t.Errorf("%s is %d px wider than the screen %s", name, over, s.name)
	}
	if small := eval[string](x, smallTargets); small != "" {
		x.t.Errorf("%s has on %s targets too small for a thumb: %s", name, s.name, small)
	}
	if axe != "" && r != unchecked {
		audit(x.t, x, axe, name+" on "+s.name, r)
	}
}

// smallTargets names what is to be pressed and is lower than 44 px, or narrower than 24 px (WCAG 2.2, criterion 2.5.8, asks
// for 24 px; 44 px is its criterion 2.5.5, level AAA). Links within text are not counted, as there.
const smallTargets = `[...document.querySelectorAll("button, .button, select, input:not([type=hidden]):not([type=checkbox]):not([type=radio]):not([type=range]), summary, nav a")]
	.filter((e) => { const r = e.getBoundingClientRect(); return r.height > 0 && (r.height < 43.5 || r.width < 24); })
	.map((e) => e.outerHTML.slice(0, 80)).join("; ")`

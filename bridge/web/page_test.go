package web_test

import (
	"math"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"gillkeeper/bridge/web"
	"gillkeeper/bridge/web/webtest"
	"gillkeeper/metrics/yield"
)

var links = regexp.MustCompile(`(?:src|href)="([^"#?]*)[^"]*"`)

func TestPage(t *testing.T) {
	s := serve(t, nil)
	if status, _, b := s.ask(t, "POST", "/api/v1/chambers/loft/hand", `{"plug":"lamp","hand":"off","for":"15m"}`); status != 200 {
		t.Fatalf("%d %s", status, b)
	}
	status, h, b := s.ask(t, "GET", "/", "")
	body := string(b)
	if status != 200 || h.Get("Content-Type") != "text/html; charset=utf-8" {
		t.Fatalf("%d %v", status, h)
	}
	for _, want := range []string{
		"1 chamber needs a look", "The air is too dry.", "Check the humidifier and the door.",
		"wanted 85\u2060–\u206090\u00a0%", "<i>Pleurotus ostreatus</i>", "day 1", "flush 1", "Nothing is growing here.",
		"off, by hand", "Set by hand until 10:45.", `aria-label="have a look"`, `http-equiv="refresh"`,
	} {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	worst, other := strings.Index(body, `id="c-cellar"`), strings.Index(body, `id="c-loft"`)
	if worst < 0 || other < 0 || worst > other {
		t.Error("the worst chamber is not first")
	}
}

// TestEveryViewIsStrict: nothing in a page asks for what the policy forbids, comes from elsewhere, or leads nowhere.
func TestEveryViewIsStrict(t *testing.T) {
	s := serve(t, nil)
	s.Past(t, "loft", 24*time.Hour)
	status := map[string]int{} // by link: what many views lead to is asked for once
	for _, path := range []string{
		"/", "/chamber/loft", "/chamber/loft?span=7d", "/chamber/loft?span=flush", "/chamber/loft?at=10:00", "/chamber/nursery", "/login",
		"/chamber/loft/diagnose", "/chamber/loft/outlook", "/chamber/loft/outlook?days=4", "/chamber/loft/diagnose?sign=cracked-caps&sign=long-stems", "/report",
		"/do/pick?chamber=loft&batch=oyster-12", "/do/stage?chamber=loft&batch=oyster-12", "/do/batch?chamber=nursery",
		"/do/retire?chamber=loft&batch=oyster-12", "/do/refill?chamber=loft", "/do/hand?chamber=loft&plug=mister",
		"/do/ack?chamber=cellar&alarm=humidity_low", "/do/shelve?chamber=cellar&alarm=humidity_low", "/do/note?chamber=loft&batch=oyster-12",
	} {
		code, h, b := s.ask(t, "GET", path, "")
		status[path] = code
		body := string(b)
		if code != 200 || !strings.HasPrefix(h.Get("Content-Type"), "text/html") {
			t.Errorf("%s: %d %s", path, code, h.Get("Content-Type"))
			continue
		}
		for _, bad := range []string{"<style", "style=", "onclick", "onload", "javascript:", "http://", "https://", "//cdn", "<no value>", "ZgotmplZ", "NaN"} {
			if strings.Contains(body, bad) {
				t.Errorf("%s holds %q", path, bad)
			}
		}
		folder := path[:strings.LastIndex(strings.SplitN(path, "?", 2)[0], "/")+1]
		seen := map[string]bool{}
		for _, m := range links.FindAllStringSubmatch(body, -1) {
			if m[1] == "" || seen[m[1]] || strings.Contains(m[1], "do/") {
				continue
			}
			seen[m[1]] = true
			if strings.HasPrefix(m[1], "/") {
				t.Errorf("%s: %s is not relative, so it is lost behind a proxy", path, m[1])
			}
			to := resolved(t, folder, m[1])
			if status[to] == 0 {
				status[to], _, _ = s.ask(t, "GET", to, "")
			}
			if status[to] != 200 {
				t.Errorf("%s: %s: %d", path, m[1], status[to])
			}
		}
		if len(b) > 100<<10 {
			t.Errorf("%s is %d bytes", path, len(b))
		}
	}
}

func TestPageIsSentOnce(t *testing.T) {
	s := serve(t, nil)
	_, h, _ := s.ask(t, "GET", "/page.css", "")
	status, _, body := s.ask(t, "GET", "/page.css", "", "If-None-Match", h.Get("ETag"))
	if status != http.StatusNotModified || len(body) > 0 {
		t.Errorf("unchanged: %d, %d bytes", status, len(body))
	}
	if status, _, _ := s.ask(t, "GET", "/page.css", "", "If-None-Match", `"other"`); status != 200 {
		t.Errorf("changed: %d", status)
	}
	status, h, _ = s.ask(t, "GET", "/", "", "Accept-Encoding", "gzip")
	if status != 200 || h.Get("Content-Encoding") != "gzip" {
		t.Errorf("the page is not packed: %d %v", status, h)
	}
	if _, h, _ = s.ask(t, "GET", "/", "", "Accept-Encoding", "gzip;q=0"); h.Get("Content-Encoding") != "" {
		t.Error("the page is packed for who does not want that")
	}
}

// TestFreeTextIsText: whatever a name holds, it is shown and not run.
func TestFreeTextIsText(t *testing.T) {
	const evil = `<script>alert(1)</script>"'><img src=x onerror=alert(1)>`
	s := serve(t, func(o *web.Options) { o.Site.Name = evil })
	s.Add(webtest.Spec(evil, time.UTC), webtest.Air{RH: 0.9, TemperatureC: 18, CO2: math.NaN()})
	_, _, b := s.ask(t, "GET", "/", "")
	if strings.Contains(string(b), "<script>alert") || strings.Contains(string(b), "<img") {
		t.Error("a name is taken as markup")
	}
	if !strings.Contains(string(b), "&lt;script&gt;") {
		t.Error("the name is not shown")
	}
}

func TestPageNotReady(t *testing.T) {
	s := serve(t, nil)
	s.SetReady(http.ErrServerClosed)
	if _, _, b := s.ask(t, "GET", "/", ""); !strings.Contains(string(b), "Not ready: ") {
		t.Error("the page does not say that the daemon is not ready")
	}
}

func TestUnknownPages(t *testing.T) {
	s := serve(t, nil)
	for _, path := range []string{"/chamber/lofft", "/do/dance?chamber=loft", "/do/pick?chamber=nowhere"} {
		status, h, b := s.ask(t, "GET", path, "")
		if status != 404 || !strings.HasPrefix(h.Get("Content-Type"), "text/html") {
			t.Errorf("%s: %d %s", path, status, h.Get("Content-Type"))
		}
		if path != "/chamber/lofft" {
			continue
		}
		for _, want := range []string{"<h1>Not Found</h1>", "There is no chamber", "did you mean"} {
			if !strings.Contains(string(b), want) {
				t.Errorf("no %q in %s", want, b)
			}
		}
	}
}

// TestDiagnosePage: every sign is drawn, and what is ticked is ranked.
// TestAWrongAddressInABrowser: who mistypes it gets a page that leads on, and nothing of the API; a program gets JSON.
func TestAWrongAddressInABrowser(t *testing.T) {
	s := serve(t, nil)
	x := browse(t, s.url).open("/chambers/loft").holds("Not Found", "There is nothing at /chambers/loft.", "To the chambers")
	if x.status != 404 || strings.Contains(x.body, "api/v1") {
		t.Errorf("%d: %s", x.status, x.body)
	}
	if x.open("/do/undo").holds("To the chambers"); x.status == 200 {
		t.Error("a form's address without a form")
	}
	if x.open("/logout").holds("/logout does not take GET; it takes POST."); x.status != 405 || x.header.Get("Allow") != "POST" {
		t.Errorf("%d %q", x.status, x.header.Get("Allow"))
	}
	if x.open("/api/v1/nowhere"); x.header.Get("Content-Type") != "application/problem+json" {
		t.Errorf("the API answers a browser with %s", x.header.Get("Content-Type"))
	}
	if status, h, b := s.ask(t, "GET", "/nowhere", ""); status != 404 || h.Get("Content-Type") != "application/problem+json" || !strings.Contains(string(b), "/api/v1/openapi.json") {
		t.Errorf("a program: %d %s %s", status, h.Get("Content-Type"), b)
	}
}

func TestDiagnosePage(t *testing.T) {
	s := serve(t, nil)
	s.Past(t, "loft", 24*time.Hour)
	b := browse(t, s.url).open("chamber/loft/diagnose?sign=cracked-caps").holds("cracked, scaly or brown caps", "What may have made it", "Air too dry for long", "Look yourself")
	if signs, drawn := strings.Count(b.body, `name="sign"`), strings.Count(b.body, `<path d="M6 58H58"/>`); signs < 10 || drawn < signs-3 {
		t.Errorf("%d signs, %d drawn", signs, drawn)
	}
	b.open("/chamber/nursery/diagnose?sign=no-pins").holds("Nothing grows in chamber nursery")
	b.open("/chamber/loft/diagnose?sign=hungry").holds(`"hungry" is not a sign`)
}

// TestOutlookPage: the answer comes first, then what to do, then what it rests on.
func TestOutlookPage(t *testing.T) {
	s := serve(t, nil)
	b := browse(t, s.url).open("chamber/loft/outlook?days=4").holds("Leave for 4 d after this: fill the reservoir", "Before you leave", "2.1 L; 0.9 L a day are used", "Filled before leaving")
	b.open("/chamber/cellar/outlook?days=4").holds("What speaks against it", `standing act`)
	b.open("/chamber/loft/outlook?days=400").holds("Choose one of the lengths.")
}

// TestReportPage: the report comes whole, and only its own style sheet is allowed in it.
func TestReportPage(t *testing.T) {
	s := serve(t, nil)
	s.Past(t, "loft", 24*time.Hour)
	b := browse(t, s.url).open("report").holds("Make the report")
	b.open("report/season?chamber=&from=2026-04-01&to=2026-04-21")
	csp := b.header.Get("Content-Security-Policy")
	if b.status != 200 || !strings.Contains(b.body, yield.Mark) || !strings.Contains(csp, "style-src 'sha256-") || strings.Contains(csp, "unsafe") {
		t.Errorf("%d, policy %q: %.300s", b.status, csp, b.body)
	}
	if b.open("/report/season?from=2026-05-01&to=2026-04-01"); b.status != 400 {
		t.Errorf("a season that ends before it begins: %d", b.status)
	}
}

// TestPlots: what the record holds is drawn, and said in the table.
func TestPlots(t *testing.T) {
	s := serve(t, nil)
	s.Past(t, "loft", 24*time.Hour)
	_, _, b := s.ask(t, "GET", "/chamber/loft", "")
	body := string(b)
	for _, want := range []string{
		`aria-label="Humidity over time: from 84.0`, `data-name="CO2" data-unit="ppm"`, `class="band"`, `aria-label="humidifier (mister): on for`,
		"The same as a table", "Humidity, mean (lowest–highest)", `id="probe-at"`, "24 hours", "This flush",
	} {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not hold %q", want)
		}
	}
	if n := strings.Count(body, "<tr>"); n < 20 || n > 45 {
		t.Errorf("the table has %d rows", n)
	}
}

// TestShareOfWhatWasSeen: of the 90 minutes from 7:00 to 8:30 every fourth has mist, 23 of them: that is 26 %. A week is drawn
// by the hour, and 23 minutes of two hours would be 19 %.
func TestShareOfWhatWasSeen(t *testing.T) {
	s := serve(t, nil)
	s.Past(t, "loft", 90*time.Minute)
	_, _, b := s.ask(t, "GET", "/chamber/loft?span=7d", "")
	if want := `aria-label="humidifier (mister): on for 23 min, 26 % of the time`; !strings.Contains(string(b), want) {
		t.Errorf("the page does not hold %q", want)
	}
}

// TestSensorsOnThePage: what calibration corrects, with the values before and after. Greenspan 1977: 75.47 % over sodium
// chloride at 20 °C, so that a reading of 78.47 % there is three points too much, and one of 88.5 % is 85.5 %.
func TestSensorsOnThePage(t *testing.T) {
	s := serve(t, nil)
	b := browse(t, s.url).open("/chamber/loft").holds("Sensors, and what calibration corrects", "chamber-relative_humidity", "Humidity of the room")
	if strings.Contains(b.body, "<dt>Correction</dt>") {
		t.Error("a correction is shown that nobody made")
	}
	do := func(path, body string) {
		t.Helper()
		if status, _, answer := s.ask(t, "POST", "/api/v1/chambers/loft/sensors/"+path, body); status != 200 {
			t.Fatalf("%s: %d %s", path, status, answer)
		}
	}
	do("chamber-relative_humidity/calibration", `{"salts":[{"salt":"nacl","temperature_c":20,"reading":0.7647,"noise":0.001}]}`)
	s.Pass(10 * time.Minute)
	do("chamber-relative_humidity/calibration", `{"salts":[{"salt":"nacl","temperature_c":20,"reading":0.7847,"noise":0.001}]}`)
	s.Pass(15 * time.Minute) // hung up again
	do("room-temperature/aside", `{"for":"2h"}`)
	s.Pass(time.Minute)
	b.open("/chamber/loft").holds("85.5 % <span class=\"soft\">says 88.5 %</span>", "reading -3.0 points, sure to ± 0.", "10:40, by nacl",
		"-2.0 points since 10:30", "10:30, by nacl: reading -1.0 points", "set aside until 12:55")
}

// TestBesideOnThePage: who moves in sees what the present controls do beside what would be done. The mister runs for ten
// seconds of every minute: 10 min of an hour, switched on and off 60 times each.
func TestBesideOnThePage(t *testing.T) {
	s := serve(t, nil)
	b := browse(t, s.url).open("/chamber/loft")
	if strings.Contains(b.body, "Your controls beside gillkeeper") {
		t.Error("controls are compared with where there are none")
	}
	s.Observe("loft", func(plug string, at time.Time) bool { return plug == "mister" && at.Second() == 0 })
	s.Pass(time.Hour + 10*time.Second)
	b.open("/chamber/loft").holds("Your controls beside gillkeeper", "Watched for 1 h", "Humidity</dt><dd>in range 100 % of the time",
		"humidifier (mister)", "10 min, 17 %", "120 times", "exhaust fan", "0 s, 0 %")
	if strings.Contains(b.body, ", by hand") {
		t.Error("what other controls do passes for a hand")
	}
	b.open("/").holds("Your controls kept in range: humidity 100 %, temperature 100 %, CO2 100 % of 1 h.", `href="chamber/loft#h-beside"`)
}

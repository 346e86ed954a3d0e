package web_test

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"reflect"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"gillkeeper/bridge/web"
	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/web/webtest"
	"gillkeeper/testdata/testend"
)

func TestMain(m *testing.M) {
	web.Hurry()
	goleak.VerifyTestMain(m, goleak.Cleanup(testend.Exit))
}

// served is a running server with its twin.
type served struct {
	*webtest.Twin
	*web.Server
	url    string
	client *http.Client
}

// serve starts a server on loopback and stops it with the test.
func serve(t testing.TB, change func(*web.Options)) *served {
	t.Helper()
	twin := webtest.New()
	o := web.Options{
		Listen: "127.0.0.1:0", Backend: twin, Now: twin.Now, Version: "test", Ahead: twin.Outlook,
		Site:    web.Site{Name: "North shed", Zone: time.FixedZone("UTC+2", 2*3600)},
		Metrics: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { io.WriteString(w, "metrics\n") }),
	}
	if change != nil {
		change(&o)
	}
	s, err := web.New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	transport := &http.Transport{}
	t.Cleanup(func() {
		transport.CloseIdleConnections()
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
	})
	noFollow := func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	return &served{twin, s, "http://" + s.Addr().String(), &http.Client{Transport: transport, CheckRedirect: noFollow, Timeout: 10 * time.Second}}
}

// ask sends one request and gives status, headers and body.
func (s *served) ask(t testing.TB, method, path, body string, headers ...string) (int, http.Header, []byte) {
	t.Helper()
	req, err := http.NewRequest(method, s.url+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if method == http.MethodPost {
		req.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i+1 < len(headers); i += 2 {
		if headers[i] == "Host" {
			req.Host = headers[i+1]
			continue
		}
		req.Header.Set(headers[i], headers[i+1])
	}
	resp, err := s.client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, resp.Header, b
}

// get decodes an answer that must be there.
func get[T any](t testing.TB, s *served, path string) T {
	t.Helper()
	status, _, body := s.ask(t, "GET", path, "")
	if status != http.StatusOK {
		t.Fatalf("GET %s: %d %s", path, status, body)
	}
	return decoded[T](t, body)
}

func decoded[T any](t testing.TB, body []byte) T {
	t.Helper()
	var v T
	d := json.NewDecoder(bytes.NewReader(body))
	d.DisallowUnknownFields()
	if err := d.Decode(&v); err != nil {
		t.Fatalf("%v in %s", err, body)
	}
	return v
}

func TestChamber(t *testing.T) {
	s := serve(t, nil)
	c := get[api.Chamber](t, s, "/api/v1/chambers/loft")
	if rh := c.Air.Chamber.RelativeHumidity; rh == nil || rh.Value != 0.885 || !rh.Fresh || rh.Range != "within" {
		t.Errorf("humidity is %+v", rh)
	}
	// ASHRAE Fundamentals' saturation pressure at 16.4 °C is 1.865 kPa; 88.5 % of it leaves a deficit of 0.214 kPa.
	if d := c.Air.Chamber.VaporDeficitPa; d == nil || *d < 210 || *d > 218 {
		t.Errorf("vapor pressure deficit is %v", d)
	}
	if c.Worst != "none" || len(c.Alarms) != 0 {
		t.Errorf("worst is %s, alarms %v", c.Worst, c.Alarms)
	}
	if len(c.Batches) != 1 || c.Batches[0].Stage != "fruiting" || c.Batches[0].StageDay != 1 {
		t.Errorf("batches are %+v", c.Batches)
	}
	for _, p := range c.Plugs {
		if len(p.Reasons) == 0 || p.Reasons[0].Text == "" {
			t.Errorf("plug %s has no reason in words", p.Name)
		}
	}
	cellar := get[api.Chamber](t, s, "/api/v1/chambers/cellar")
	if cellar.Worst != "medium" || cellar.Alarms[0].Priority != "medium" || cellar.Air.Chamber.CO2PPM.Range != "above" {
		t.Errorf("the dry chamber shows %s, %+v", cellar.Worst, cellar.Alarms)
	}
	if got := get[api.Chambers](t, s, "/api/v1/chambers"); len(got.Chambers) != 3 || got.Chambers[0].Name != "cellar" {
		t.Errorf("chambers are %v", got)
	}
}

func TestStaleReadingIsShownAsSuch(t *testing.T) {
	s := serve(t, nil)
	s.SetAir("loft", webtest.Air{RH: -1, TemperatureC: -300, CO2: -1, RoomRH: -1, RoomC: -300}) // implausible: silence
	s.Pass(10 * time.Minute)
	c := get[api.Chamber](t, s, "/api/v1/chambers/loft")
	rh := c.Air.Chamber.RelativeHumidity
	if rh == nil || rh.Fresh || rh.Range != "" || rh.Value != 0.885 {
		t.Errorf("a silent sensor shows %+v", rh)
	}
	if c.Air.Chamber.DewPointC != nil {
		t.Error("a dew point rests on a silent sensor")
	}
	_, _, page := s.ask(t, "GET", "/", "")
	if !bytes.Contains(page, []byte("no fresh reading; last known from 10:30")) {
		t.Error("the page does not say that the reading is old")
	}
}

func TestWhy(t *testing.T) {
	s := serve(t, nil)
	now := get[api.Why](t, s, "/api/v1/chambers/cellar/why")
	if now.Past || len(now.Plugs) != 3 || now.Plugs[2].Reasons[0].Text != "12 h of light a day; off at 20:00." {
		t.Errorf("now: %+v", now)
	}
	// The lamp came on after its minimum off time; site time is two hours ahead.
	past := get[api.Why](t, s, "/api/v1/chambers/cellar/why?at=10:20")
	if !past.Past || !past.At.Equal(webtest.Start.Add(20*time.Minute)) {
		t.Errorf("past: %+v", past)
	}
	found := false
	for _, p := range past.Plugs {
		if p.Name == "lamp" {
			found = p.On && p.Role == "lamp" && !p.Since.After(past.At)
		}
	}
	if !found {
		t.Errorf("the lamp's switch is not told: %+v", past.Plugs)
	}
	for _, at := range []string{"2026-04-21T08:20:00Z", "2026-04-21%2010:20", "-10m"} {
		if got := get[api.Why](t, s, "/api/v1/chambers/cellar/why?at="+at); !got.At.Equal(webtest.Start.Add(20 * time.Minute)) {
			t.Errorf("at=%s is taken as %s", at, got.At)
		}
	}
	// An hour of the day that is still to come is yesterday's. It is 10:30 at the site.
	if got := get[api.Why](t, s, "/api/v1/chambers/cellar/why?at=23:00"); !got.At.Equal(time.Date(2026, 4, 20, 21, 0, 0, 0, time.UTC)) {
		t.Errorf("at=23:00 is taken as %s", got.At)
	}
	// Of what is yet to come nothing is known, and what grows now didn't grow then.
	for _, at := range []string{"2026-04-21T08:33:00Z", "2027-01-01"} {
		for _, path := range []string{"/api/v1/chambers/cellar/why?", "/api/v1/chambers/loft/diagnosis?sign=no-pins&"} {
			if status, _, body := s.ask(t, "GET", path+"at="+at, ""); status != http.StatusBadRequest || !strings.Contains(string(body), "is yet to come; give a past moment") {
				t.Errorf("%sat=%s: %d %s", path, at, status, body)
			}
		}
	}
	for _, at := range []string{"yesterday", "25:00", "9999999h", "5m", "0001-01-01T00:00:00Z"} {
		if status, _, body := s.ask(t, "GET", "/api/v1/chambers/cellar/why?at="+at, ""); status != http.StatusBadRequest {
			t.Errorf("at=%s: %d %s", at, status, body)
		}
	}
}

// TestCalendarAheadOfTheSteadyClock: what is shown is on the calendar, wherever the policies' own clock stands.
func TestCalendarAheadOfTheSteadyClock(t *testing.T) {
	s := serve(t, nil)
	s.SetAhead(3 * time.Hour)
	s.Pass(10 * time.Second)
	now := s.Now() // 11:30:10 UTC, 13:30:10 at the site
	_, _, body := s.ask(t, "POST", "/api/v1/chambers/loft/hand", `{"plug":"lamp","hand":"off","for":"1h"}`)
	c := decoded[api.Done](t, body).Chamber
	lamp := c.Plugs[2]
	if !c.At.Equal(now) || lamp.Hand == nil || !lamp.Hand.Until.Equal(now.Add(time.Hour)) {
		t.Errorf("at %s under hand: %+v", c.At, lamp.Hand)
	}
	if got := lamp.Reasons[0]; got.Text != "Set by hand until 14:30." || !got.Until.Equal(now.Add(time.Hour)) {
		t.Errorf("reason is %+v", got)
	}
	if at := c.Air.Chamber.CO2PPM.At; at == nil || !at.Equal(now) {
		t.Errorf("the newest reading is of %v", at)
	}
}

func TestEvents(t *testing.T) {
	s := serve(t, nil)
	got := get[api.Events](t, s, "/api/v1/chambers/loft/events")
	kinds := map[string]int{}
	for _, e := range got.Events {
		kinds[e.Kind]++
	}
	if kinds["person_acted"] != 2 || kinds["plug_switched"] == 0 {
		t.Errorf("events are %v", kinds)
	}
	if status, _, _ := s.ask(t, "GET", "/api/v1/chambers/loft/events?from=-2000h", ""); status != http.StatusBadRequest {
		t.Errorf("too long a stretch: %d", status)
	}
}

func TestSite(t *testing.T) {
	s := serve(t, nil)
	got := get[api.Site](t, s, "/api/v1/site")
	want := api.Site{Name: "North shed", Timezone: "UTC+2", UTCOffsetSeconds: 7200, DisplayTemperature: "celsius", DisplayClock: "24h", Now: s.Now(), Version: "test",
		Ready: true, Chambers: 3, Acts: true}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v, want %+v", got, want)
	}
	s.Adopt(web.Site{Zone: time.Local}, web.Access{})
	if got := get[api.Site](t, s, "/api/v1/site"); got.Timezone != "" { // it would mean another zone elsewhere
		t.Errorf("the machine's own timezone is told as %q", got.Timezone)
	}
	s.Adopt(web.Site{Name: "South shed", Fahrenheit: true}, web.Access{Token: "secret"})
	got = get[api.Site](t, s, "/api/v1/site")
	if got.Name != "South shed" || got.DisplayTemperature != "fahrenheit" || got.Timezone != "UTC" || !got.TokenNeeded {
		t.Errorf("after a change of configuration: %+v", got)
	}
	if _, _, page := s.ask(t, "GET", "/", ""); !bytes.Contains(page, []byte("°F")) || bytes.Contains(page, []byte("°C")) {
		t.Error("the page does not follow the site's unit")
	}
}

func TestHealth(t *testing.T) {
	s := serve(t, nil)
	if status, _, body := s.ask(t, "GET", "/healthz", ""); status != 200 || string(body) != "alive\n" {
		t.Errorf("healthz: %d %q", status, body)
	}
	if status, _, body := s.ask(t, "GET", "/metrics", ""); status != 200 || string(body) != "metrics\n" {
		t.Errorf("metrics: %d %q", status, body)
	}
	if got := get[api.Ready](t, s, "/readyz"); !got.Ready {
		t.Error("not ready")
	}
	s.SetReady(io.ErrUnexpectedEOF)
	status, h, body := s.ask(t, "GET", "/readyz", "")
	if got := decoded[api.Ready](t, body); status != 503 || got.Ready || got.Reason == "" || h.Get("Retry-After") == "" {
		t.Errorf("readyz: %d %s", status, body)
	}
	if status, _, _ := s.ask(t, "GET", "/healthz", ""); status != 200 {
		t.Error("a daemon that is not ready counts as dead")
	}
}

func TestStopsInTime(t *testing.T) {
	s, err := web.New(web.Options{Listen: "127.0.0.1:0", Backend: webtest.New()})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := s.Run(ctx); err != nil { // also closes the listener of a server that never served
		t.Fatal(err)
	}
	if _, err := http.Get("http://" + s.Addr().String()); err == nil {
		t.Error("it still answers")
	}
}

func TestTakenPort(t *testing.T) {
	s := serve(t, nil)
	_, err := web.New(web.Options{Listen: s.Addr().String(), Backend: s.Twin})
	if err == nil || !strings.Contains(err.Error(), "[http] listen") {
		t.Errorf("a taken port gives %v", err)
	}
	if _, err := web.New(web.Options{Listen: "127.0.0.1:0"}); err == nil {
		t.Error("a server without a backend was made")
	}
}

// TestThePageSaysWhenNobodyIsTold: alarms that reach nobody are as bad as none; a service that works is not spoken of.
func TestThePageSaysWhenNobodyIsTold(t *testing.T) {
	var now func() time.Time
	s := serve(t, func(o *web.Options) {
		now = o.Now
		o.Notifications = func() []api.Notification {
			since := now().Add(-2 * time.Hour)
			return []api.Notification{{Name: "phone-url", Scheme: "ntfy", Waiting: 3, FailingSince: &since, Fault: "it answers 500 <b>"}, {Name: "mail-url", Scheme: "smtp"}}
		}
	})
	_, _, page := s.ask(t, "GET", "/", "")
	since := now().Add(-2 * time.Hour).In(time.FixedZone("UTC+2", 2*3600)).Format("15:04")
	want := "Messages to people do not go through: phone-url (ntfy) since " + since + ", 3 wait: it answers 500 &lt;b&gt;."
	if !bytes.Contains(page, []byte(want)) || bytes.Contains(page, []byte("mail-url")) {
		t.Errorf("the page lacks %q, or names a service that works", want)
	}
}

package browsertest

import (
	"math"
	"net/http"
	"testing"
	"time"

	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/bridge/broker/realpart"
	"gillkeeper/bridge/journal"
	"gillkeeper/bridge/web"
	"gillkeeper/bridge/web/webtest"
	"gillkeeper/policy"
	"gillkeeper/policy/air"
	"gillkeeper/policy/air/salt"
	"gillkeeper/policy/calibration"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/species"
)

// elsewhere serves chambers in memory as a grower in another country has them shown: degrees Fahrenheit, the clock of twelve
// hours. The cellar has alarms, the loft a past of eight days and a corrected sensor, and the shed is only watched.
func elsewhere(t *testing.T) (address string) {
	t.Helper()
	realpart.Chromium(t) // before any work for it
	twin := webtest.New()
	zone := time.FixedZone("UTC-5", -5*3600)
	watched := webtest.Spec("shed", zone)
	twin.Add(watched, webtest.Air{RH: 0.86, TemperatureC: 15, CO2: 950, RoomRH: 0.5, RoomC: 16, Watts: 20})
	act := func(name string, a policy.Action) {
		if _, err := twin.Act(t.Context(), name, a); err != nil {
			t.Fatal(err)
		}
	}
	act("shed", policy.Action{ID: "s", Kind: policy.BatchAdd, Batch: "king-2", Species: "pleurotus-eryngii", SubstrateKg: 14, DryKg: 5, Stage: species.Fruiting})
	twin.Observe("shed", func(plug string, at time.Time) bool {
		return plug == "mister" && at.Minute()%8 == 0 || plug == "exhaust_fan" && at.Minute()%15 < 2
	})
	for _, c := range []struct {
		ago     time.Duration
		reading air.Ratio
	}{{40 * 24 * time.Hour, 0.763}, {0, 0.778}} {
		fit, err := calibration.Fit(twin.Now().Add(-c.ago), calibration.Point{Salt: salt.SodiumChloride, TemperatureC: 20, Reading: c.reading, Noise: 0.001})
		if err != nil {
			t.Fatal(err)
		}
		act("loft", policy.Action{ID: c.ago.String(), Kind: policy.Calibrate, Sensor: "chamber-relative_humidity", Calibration: &fit})
	}
	act("loft", policy.Action{ID: "a", Kind: policy.SensorAside, Sensor: "room-temperature", For: 2 * time.Hour})
	twin.Pass(3 * time.Hour)
	past(t, twin)
	s, err := web.New(web.Options{Listen: "127.0.0.1:0", Backend: twin, Now: twin.Now, Version: "test", Ahead: twin.Outlook,
		Site:    web.Site{Name: "The mushroom house behind the old barn", Zone: zone, Fahrenheit: true, TwelveHour: true},
		Metrics: http.NotFoundHandler()})
	if err != nil {
		t.Fatal(err)
	}
	brokertest.Go(t, s.Run)
	return "http://" + s.Addr().String()
}

// past gives the loft eight days of recorded air, the last of them by five minutes.
func past(t *testing.T, twin *webtest.Twin) {
	t.Helper()
	var ms []journal.Minute
	now := twin.Now().Truncate(time.Minute)
	var span time.Duration
	for at := now.Add(-8 * 24 * time.Hour); at.Before(now); at = at.Add(span) {
		if span = 5 * time.Minute; at.Before(now.Add(-24 * time.Hour)) {
			span = 30 * time.Minute
		}
		part := span.Seconds() / 300
		add := func(place, quantity string, mean, low, high, seconds float64) {
			n := 30
			if quantity == journal.PlugOn {
				n = int(span.Seconds()) // seconds seen
			}
			ms = append(ms, journal.Minute{Chamber: "loft", Place: place, Quantity: quantity, Start: at, Span: span, Mean: mean, Min: low, Max: high, N: n, Seconds: seconds * part})
		}
		h := at.Sub(now).Hours()
		rh, c, co2 := 0.875+0.012*math.Sin(h*2)+0.01*math.Sin(h/5), 16+1.5*math.Sin(2*math.Pi*h/24), 720+120*math.Sin(h*1.3)
		add("chamber", "relative_humidity", rh, rh-0.02, rh+0.02, 280)
		add("chamber", "temperature", c, c-0.2, c+0.2, 300)
		add("chamber", "co2", co2, co2-60, co2+90, 300)
		add("mister", journal.PlugOn, 0.12+0.05*math.Sin(h), 0, 1, 36)
		add("exhaust_fan", journal.PlugOn, 0.2, 0, 1, 60)
		lit := 0.0
		if at.Hour() > 12 {
			lit = 1
		}
		add("lamp", journal.PlugOn, lit, lit, lit, 300*lit)
		add(journal.PlaceTarget, chamber.RelativeHumidity.String(), 0.875, 0.85, 0.9, 0)
		add(journal.PlaceTarget, chamber.Temperature.String(), 15, 10, 21, 0)
		add(journal.PlaceTarget, chamber.CO2.String(), 1000, 0, 1000, 0)
		add(journal.PlaceLearned, journal.MistDrawn, 270+0.1*h, 260, 280, 0)
	}
	if err := twin.Record.Minutes(t.Context(), ms); err != nil {
		t.Fatal(err)
	}
}

// TestViewsElsewhere looks at what the common farm does not show.
func TestViewsElsewhere(t *testing.T) {
	t.Parallel()
	axe := axeSource(t)
	at := elsewhere(t)
	tablet := screen{name: "tablet-dark", width: 768, height: 1024, dark: true}
	checked := map[screen]rules{phone: everyRule, tablet: ofScreen}
	all := screens(phone, tablet, desktop)
	x := open(t, at, all[0])
	for _, v := range []view{
		{"alarms-site", "/"}, {"alarms-chamber", "/chamber/cellar"}, {"past-day", "/chamber/loft"}, {"past-week", "/chamber/loft?span=7d"},
		{"watched", "/chamber/shed"}, {"ahead", "/chamber/loft/outlook?days=4"}, {"ahead-not", "/chamber/cellar/outlook?days=7"}, {"ack", "/do/ack?chamber=cellar&alarm=humidity_low"},
		{"shelve", "/do/shelve?chamber=cellar&alarm=humidity_low"}, {"diagnosed", "/chamber/loft/diagnose?sign=long-stems"},
	} {
		x.as(all[0]).goTo(v.path)
		for _, s := range all {
			x.as(s).look(v.name, s, axe, checked[s])
		}
	}
	for _, s := range all {
		x.as(s).goTo("/chamber/loft").sees("°F").click("#plots .plot svg").sees("As decided at")
		x.keep("pointed-" + s.name)
	}
}

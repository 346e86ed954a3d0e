package web

import (
	"slices"
	"testing"
	"time"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
)

// TestEffectsAreTold: what changes is told with both numbers, and what stays is not told at all.
func TestEffectsAreTold(t *testing.T) {
	pre := policy.Preview{
		Before:       crop.Target{OK: true, RelativeHumidity: chamber.Band{Low: 0.85, Aim: 0.875, High: 0.9}, TemperatureC: chamber.Band{Low: 10, Aim: 16, High: 21}, CO2MaxPPM: 1000, LightHours: 12},
		After:        crop.Target{OK: true, RelativeHumidity: chamber.Band{Low: 0.85, Aim: 0.875, High: 0.9}, TemperatureC: chamber.Band{Low: 10, Aim: 14, High: 15.5}, CO2MaxPPM: 800, LightHours: 12},
		UpkeepBefore: policy.Upkeep{OK: true, FanShare: 0.041, LitersPerDay: 0.62}, UpkeepAfter: policy.Upkeep{OK: true, FanShare: 0.069, LitersPerDay: 0.9},
	}
	want := []effect{
		{"Temperature", "50–69.8 °F", "50–59.9 °F"},
		{"CO2", "up to 1000 ppm", "up to 800 ppm"},
		{"Fan, about", "4 % of the time", "7 % of the time"},
		{"Water, about", "0.6 L a day", "0.9 L a day"},
		{"How soon", "", "the aims move over six hours; a stricter CO2 limit holds at once"},
	}
	if got := targetEffects(&pre, words.Words{Fahrenheit: true}); !slices.Equal(got, want) {
		t.Errorf("%q\nwant\n%q", got, want)
	}
	pre.UpkeepAfter.OK = false // of what is not known nothing is made up
	if got := targetEffects(&pre, words.Words{}); slices.ContainsFunc(got, func(e effect) bool { return e.Name == "Fan, about" || e.Name == "Water, about" }) {
		t.Errorf("%q", got)
	}
	pre.After = crop.Target{}
	if got := targetEffects(&pre, words.Words{}); len(got) != 4 || got[0] != (effect{"Humidity", "85–90 %", "nothing wanted"}) || got[3] != (effect{"Light", "12 h a day", "dark"}) {
		t.Errorf("the last batch is taken out: %q", got)
	}
}

// TestPlugsAreTold: a plug that can be dimmed says how far it is up, one that cannot says on.
func TestPlugsAreTold(t *testing.T) {
	for want, p := range map[string]api.Plug{
		"on":        {Name: "fan", Role: "exhaust_fan", Known: true, On: true},
		"on, 40 %":  {Name: "fan", Role: "exhaust_fan", Known: true, On: true, Level: new(0.4)},
		"off":       {Name: "fan", Role: "exhaust_fan", Known: true, Level: new(0.0)},
		"not known": {Name: "fan", Role: "exhaust_fan", On: true},
	} {
		if got := makePlug(&p).State; got != want {
			t.Errorf("%+v: %q, not %q", p, got, want)
		}
	}
}

// TestDryToTheHour: far times are told to the hour, near ones are not rounded to none.
func TestDryToTheHour(t *testing.T) {
	at := func(d time.Duration) api.Duration { return api.Duration(d) }
	for _, c := range []struct {
		d    api.OutlookDry
		want string
	}{
		{api.OutlookDry{Likely: at(55*time.Hour + 40*time.Minute), Earliest: at(40*time.Hour + 10*time.Minute), Chance: 0.97},
			"dry after about 2 d 8 h, one time in ten within 40 h, chance that it runs dry before you are back 97 %"},
		{api.OutlookDry{Likely: at(80 * time.Minute), Earliest: at(7 * time.Minute), Chance: 0.98},
			"dry after about 1 h 20 min, one time in ten within 7 min, chance that it runs dry before you are back 98 %"},
		{api.OutlookDry{Chance: 0.98}, "dry by now, one time in ten by now, chance that it runs dry before you are back 98 %"},
	} {
		if got := dries("now", &c.d)[0].After; got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
}

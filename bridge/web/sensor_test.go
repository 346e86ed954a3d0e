package web_test

import (
	"strings"
	"testing"
	"time"

	"gillkeeper/bridge/web"
	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/web/webtest"
)

const probe = "/api/v1/chambers/loft/sensors/chamber-relative_humidity"

func sensor(t *testing.T, s *served, name string) api.Sensor {
	t.Helper()
	for _, x := range get[api.Sensors](t, s, "/api/v1/chambers/loft/sensors").Sensors {
		if x.Name == name {
			return x
		}
	}
	t.Fatalf("no sensor %s", name)
	return api.Sensor{}
}

// Greenspan 1977: 75.47 % over sodium chloride at 20 °C. A reading of 78.47 % is three points too much.
func TestCalibrationOverTheAPI(t *testing.T) {
	s := serve(t, nil)
	before := sensor(t, s, "chamber-relative_humidity")
	if *before.Value != 0.885 || *before.Raw != 0.885 || !before.Fresh || before.Calibration != nil || before.Place != "chamber" {
		t.Errorf("before: %+v", before)
	}
	ask := func(method, path, body, says string, status int) {
		t.Helper()
		got, _, b := s.ask(t, method, path, body)
		if got != status || !strings.Contains(string(b), says) {
			t.Errorf("%s %s %s: %d %s, want %d and %q", method, path, body, got, b, status, says)
		}
	}
	ask("POST", probe+"/aside", `{"for":"2h"}`, "loft", 200)
	s.SetAir("loft", webtest.Air{RH: 0.7847, TemperatureC: 20, CO2: 640, RoomRH: 0.45, RoomC: 18})
	s.Pass(time.Minute)
	aside := sensor(t, s, "chamber-relative_humidity")
	if aside.Fresh || aside.Silent || *aside.Value != 0.885 || *aside.Raw != 0.7847 || aside.Aside == nil || !aside.RawAt.Equal(s.Now()) {
		t.Errorf("aside: %+v", aside)
	}
	ask("POST", probe+"/calibration", `{"salts":[{"salt":"nacl","temperature_c":20,"reading":0.7847,"noise":0.001}]}`, "loft", 200)
	after := sensor(t, s, "chamber-relative_humidity").Calibration
	if after == nil || after.Slope != 1 || after.Offset > -0.0299 || after.Offset < -0.0302 || after.Salts[0].Salt != "nacl" || !after.At.Equal(s.Now()) {
		t.Errorf("after: %+v", after)
	}
	ask("DELETE", probe+"/calibration", "", "loft", 200)
	ask("DELETE", probe+"/calibration", "", "no calibration to clear", 422)
	if last := sensor(t, s, "chamber-relative_humidity"); last.Calibration != nil || len(last.Earlier) != 1 {
		t.Errorf("cleared: %+v", last)
	}
	const co2 = "/api/v1/chambers/loft/sensors/chamber-co2/calibration"
	ask("POST", co2, `{"fresh_air":{"reading":480}}`, "loft", 200)
	if c := sensor(t, s, "chamber-co2").Calibration; c == nil || c.Offset != -55 || c.FreshAir.Expected != 425 {
		t.Errorf("fresh air: %+v", c)
	}
	for body, want := range map[string]struct {
		says   string
		status int
	}{
		`{}`: {"give either", 400},
		`{"salts":[{"salt":"nacl","temperature_c":20,"reading":0.75}],"fresh_air":{"reading":480}}`: {"give either", 400},
		`{"salts":[{"salt":"nacI","temperature_c":20,"reading":0.75}]}`:                             {`"nearest":"nacl"`, 422},
		`{"salts":[{"salt":"nacl","temperature_c":20,"reading":0.95}]}`:                             {"off by 19.5 points", 422},
		`{"salts":[{"salt":"nacl","temperature_c":2,"reading":0.75}]}`:                              {"no fixed point", 422},
		`{"fresh_air":{"reading":1200}}`:                                                            {"off by 775 ppm", 422},
	} {
		ask("POST", probe+"/calibration", body, want.says, want.status)
	}
	ask("POST", co2, `{"salts":[{"salt":"nacl","temperature_c":20,"reading":0.75}]}`, "it measures co2", 422)
	ask("POST", "/api/v1/chambers/loft/sensors/none/calibration", `{"fresh_air":{"reading":480}}`, "sensors are", 404)
	ask("PUT", probe+"/calibration", `{}`, "POST, DELETE", 405)
}

func TestClearingNeedsTheToken(t *testing.T) {
	s := serve(t, func(o *web.Options) { o.Access.Token = "right" })
	if status, _, b := s.ask(t, "DELETE", probe+"/calibration", ""); status != 401 {
		t.Errorf("without a token: %d %s", status, b)
	}
}

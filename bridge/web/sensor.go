package web

import (
	"net/http"
	"time"

	"gillkeeper/bridge/web/api"
	"gillkeeper/policy"
	"gillkeeper/policy/air"
	"gillkeeper/policy/air/salt"
	"gillkeeper/policy/calibration"
	"gillkeeper/policy/nearest"
)

func (s *Server) getSensors(r *http.Request) (any, error) {
	v, err := s.viewOf(r.PathValue("chamber"))
	if err != nil {
		return nil, err
	}
	return api.Sensors{Chamber: v.snap.Spec.Name, At: v.snap.Wall.UTC(), Sensors: v.sensors()}, nil
}

func (v *view) sensors() []api.Sensor {
	out := []api.Sensor{}
	for i := range v.snap.State.Sensors {
		if i >= len(v.snap.Spec.Sensors) {
			break
		}
		x, spec := &v.snap.State.Sensors[i], &v.snap.Spec.Sensors[i]
		one := api.Sensor{
			Name: x.Name, Quantity: spec.Quantity.String(), Place: spec.Place.String(), At: v.at(x.At), RawAt: v.at(x.RawAt),
			Fresh: x.Live && !x.Silent && x.Suspect == "", Silent: x.Silent, Suspect: x.Suspect,
		}
		if x.Known {
			one.Value = new(finite(x.Value))
		}
		if !x.RawAt.IsZero() {
			one.Raw = new(finite(x.Raw))
		}
		if x.Aside.After(v.snap.State.Now) {
			one.Aside = v.at(x.Aside)
		}
		if x.Calibration.Made() {
			one.Calibration = new(correction(&x.Calibration))
		}
		for j := range x.Earlier {
			one.Earlier = append(one.Earlier, correction(&x.Earlier[j]))
		}
		out = append(out, one)
	}
	return out
}

// correction shows a calibration. Its dates are of the calendar already.
func correction(c *calibration.Correction) api.Calibration {
	out := api.Calibration{
		Method: string(c.Method), At: c.At.UTC(), Slope: finite(c.Slope), Offset: finite(c.Offset), Uncertainty: finite(c.Standard),
		Low: finite(c.Low), High: finite(c.High), Drift: finite(c.Drift),
	}
	if !c.Before.IsZero() {
		out.Before = new(c.Before.UTC())
	}
	for _, p := range c.Points {
		out.Salts = append(out.Salts, api.SaltPoint{Salt: p.Salt.String(), TemperatureC: finite(float64(p.TemperatureC)),
			Reading: finite(float64(p.Reading)), Noise: finite(float64(p.Noise))})
	}
	if f := c.Fresh; f != nil {
		out.FreshAir = &api.FreshAirPoint{Reading: finite(float64(f.Reading)), Noise: finite(float64(f.Noise)), Expected: finite(float64(f.Expected))}
	}
	return out
}

func (s *Server) postCalibration(r *http.Request) (any, error) {
	var in api.Calibrate
	if err := decode(r, &in); err != nil {
		return nil, err
	}
	c, err := fitted(&in, s.now().UTC())
	if err != nil {
		return nil, err
	}
	return s.act(r, r.PathValue("chamber"), in.ID, policy.Action{
		Kind: policy.Calibrate, Sensor: r.PathValue("sensor"), Calibration: &c, Note: in.Note})
}

// fitted works out the correction from the readings of a request.
func fitted(in *api.Calibrate, at time.Time) (c calibration.Correction, err error) {
	field := "salts"
	switch {
	case (in.FreshAir != nil) == (len(in.Salts) > 0):
		return c, &api.Problem{Status: http.StatusBadRequest, Code: api.CodeBadValue, Field: field,
			Detail: "give either salts or fresh_air, with the readings taken"}
	case in.FreshAir != nil:
		field = "fresh_air"
		f := calibration.Outdoors{Reading: air.PPM(in.FreshAir.Reading), Noise: air.PPM(in.FreshAir.Noise), Expected: air.PPM(in.FreshAir.Expected)}
		if f.Expected == 0 {
			f.Expected = air.OutdoorCO2
		}
		c, err = calibration.FitFreshAir(at, f)
	default:
		var points []calibration.Point
		for _, p := range in.Salts {
			x := calibration.Point{TemperatureC: air.Celsius(p.TemperatureC), Reading: air.Ratio(p.Reading), Noise: air.Ratio(p.Noise)}
			if err := x.Salt.UnmarshalText([]byte(p.Salt)); err != nil {
				return c, &api.Problem{Status: http.StatusUnprocessableEntity, Code: api.CodeRefused, Field: field, Value: p.Salt,
					Nearest: nearest.Word(p.Salt, saltNames()), Detail: oneLine(err.Error())}
			}
			points = append(points, x)
		}
		c, err = calibration.Fit(at, points...)
	}
	if err != nil {
		err = &api.Problem{Status: http.StatusUnprocessableEntity, Code: api.CodeRefused, Field: field, Detail: err.Error()}
	}
	return c, err
}

func saltNames() []string {
	var names []string
	for _, x := range salt.Salts() {
		names = append(names, x.String())
	}
	return names
}

func (s *Server) deleteCalibration(r *http.Request) (any, error) {
	return s.act(r, r.PathValue("chamber"), "", policy.Action{Kind: policy.CalibrateClear, Sensor: r.PathValue("sensor")})
}

func (s *Server) postAside(r *http.Request) (any, error) {
	var in api.SetAside
	if err := decode(r, &in); err != nil {
		return nil, err
	}
	return s.act(r, r.PathValue("chamber"), in.ID, policy.Action{
		Kind: policy.SensorAside, Sensor: r.PathValue("sensor"), For: time.Duration(in.For), Note: in.Note})
}

package crop

import (
	"math"
	"time"

	"gillkeeper/policy/chamber"
)

// RampTime is how long the aims take from one target to the next. Handbooks lower the humidity gradually once pins
// have formed (Stamets, Growing Gourmet and Medicinal Mushrooms, p. 213); how gradually they do not say. Six hours is
// common practice: it ends within a working day or a night, and no pin dries or caps crack on the way.
const RampTime = 6 * time.Hour

// toward notices a change of what is wanted. The first target holds at once, since there is nothing to move from; a
// chamber that has become empty forgets.
func (r Ramp) toward(want Target, now time.Time) Ramp {
	switch {
	case !want.OK:
		return Ramp{}
	case !r.To.OK:
		return Ramp{From: want, To: want, Since: stamp(now)}
	case want.sameClimate(&r.To):
		r.To = want // conflicts and stage may have changed, which needs no ramp
		return r
	}
	return Ramp{From: r.at(now), To: want, Since: stamp(now)}
}

// at is the target on the way. Humidity, temperature and air changes move linearly. A CO2 bound that becomes stricter
// on people and pins (a lower maximum, a lower minimum) holds at once and one that is relaxed moves linearly: fresh air
// harms nothing, and pins wait for it. Light, stage and conflicts are those of the new target at once.
func (r *Ramp) at(now time.Time) Target {
	t := r.To
	share := float64(now.Sub(r.Since)) / float64(RampTime)
	if !t.OK || !r.From.OK || share >= 1 {
		return t
	}
	share = math.Max(0, share)
	t.RelativeHumidity = blendBand(r.From.RelativeHumidity, t.RelativeHumidity, share)
	t.TemperatureC = blendBand(r.From.TemperatureC, t.TemperatureC, share)
	t.FAEPerHour = blend(r.From.FAEPerHour, t.FAEPerHour, share)
	if from, to := r.From.CO2MaxPPM, t.CO2MaxPPM; from > 0 && to > from { // 0: no maximum
		t.CO2MaxPPM = blend(from, to, share)
	}
	if from, to := r.From.CO2MinPPM, t.CO2MinPPM; to > from {
		t.CO2MinPPM = blend(from, to, share)
	}
	return t
}

// sameClimate reports whether two targets want the same of the air and the light.
func (t *Target) sameClimate(o *Target) bool {
	return t.OK == o.OK && t.RelativeHumidity == o.RelativeHumidity && t.TemperatureC == o.TemperatureC &&
		t.CO2MinPPM == o.CO2MinPPM && t.CO2MaxPPM == o.CO2MaxPPM && t.FAEPerHour == o.FAEPerHour &&
		t.LightHours == o.LightHours && t.LightsOn == o.LightsOn
}

// blend is a at share 0 and b at share 1. The products are converted on their own, which forbids fusing them with the
// sum: fused, the last bit would differ between machines. Rounding never carries the result past a or b.
func blend(a, b, share float64) float64 {
	v := float64(a*(1-share)) + float64(b*share)
	return min(max(v, min(a, b)), max(a, b))
}

func blendBand(a, b chamber.Band, share float64) chamber.Band {
	aim := blend(a.Aim, b.Aim, share)
	return chamber.Band{
		Low:  math.Min(blend(a.Low, b.Low, share), aim),
		Aim:  aim,
		High: math.Max(blend(a.High, b.High, share), aim),
	}
}

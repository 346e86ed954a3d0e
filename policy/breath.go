package policy

import "math"

// breathQ10 is by how much respiration grows with 10 K: 1.9 to 2.9 in postharvest studies of oysters and button
// mushrooms (Bohling & Hansen 1989; Iqbal et al. 2009), the middle of it here.
const breathQ10 = 2.4

// breathe tells the crop how strongly it respires, as it would at 20 °C, so that a cold night is not taken for a picked
// flush.
func (t *step) breathe() {
	s := t.s
	g := s.Learn.Knowledge(t.Spec.VolumeM3, t.Spec.AltitudeM).CO2GPerH
	e := &s.Air.Inside.Temperature
	if !g.Known || !e.OK {
		return
	}
	s.Crop = s.Crop.Breathe(s.Now, g.Value/math.Pow(breathQ10, (e.Value-20)/10))
}

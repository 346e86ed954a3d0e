package control

import (
	"testing"
	"time"
)

// TestPulseEndsWithItsReading: a pulse that humidity decided ends when humidity is not known any more.
func TestPulseEndsWithItsReading(t *testing.T) {
	sc := planScene()
	sc.Model = nil
	sc.Air.Inside.RelativeHumidity.Value, sc.Air.Inside.CO2.Value = 0.80, 500
	st, wants := Decide(State{}, sc)
	if !wants[0].On || st.Mist.Until.Sub(sc.Now) < 10*time.Second {
		t.Fatalf("no pulse in dry air: %+v", wants[0])
	}
	sc.Plugs[0].On = true
	sc.Now = sc.Now.Add(time.Second)
	sc.Air.Inside.RelativeHumidity.OK = false
	if _, wants = Decide(st, sc); wants[0].On {
		t.Errorf("the humidifier runs on by a reading that is gone: %+v", wants[0].Reasons)
	}
}

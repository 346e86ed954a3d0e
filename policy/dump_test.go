package policy_test

import (
	"fmt"
	"os"
	"testing"
	"time"

	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

func TestDump(t *testing.T) {
	if os.Getenv("DUMP") == "" {
		t.Skip()
	}
	stage := species.Pinning
	if os.Getenv("STAGE") != "" {
		stage = species.Fruiting
	}
	c := rehearse.FamilyCase(uint64(number("DUMP", 1)), stage)
	c.Actions = batch(stage)
	ctl := rehearse.NewPolicyController(familyPolicy(t, c), c.Start)
	run, err := rehearse.New(c, ctl)
	if err != nil {
		t.Fatal(err)
	}
	fmt.Printf("V %.2f fan %.0f rated %.0f mist %.0f rated %.0f leak %.2f minOn %v %v\n", c.Params.VolumeM3, c.Params.FanM3PerH, c.Spec.Plugs[c.Spec.Plug(2)].FlowM3PerH, c.Params.MistGPerH, c.Spec.Plugs[c.Spec.Plug(1)].OutputGPerH, c.Params.LeakPerHour, c.Spec.Plugs[0].MinOn, c.Spec.Plugs[1].MinOn)
	run.Advance(10 * time.Hour)
	for range 180 {
		run.Advance(10 * time.Second)
		tr := run.Rig().State.Truth(&c.Params)
		s := ctl.State
		b := func(x bool) string {
			if x {
				return "#"
			}
			return "."
		}
		fmt.Printf("%s RH %.3f seen %.3f trend %.3f ahead %.3f  CO2 %4.0f seen %4.0f  mist %s fan %s buf %.2f film %.1f drops %.2f T %.2f\n", s.Now.Format("15:04:05"), tr.RelativeHumidity, s.Air.Inside.RelativeHumidity.Value, s.Control.RH.Value,
			s.Control.RH.Value+s.Control.RH.Slope*40, tr.CO2PPM, s.Air.Inside.CO2.Value, b(s.Plugs[c.Spec.Plug(1)].On), b(s.Plugs[c.Spec.Plug(2)].On), s.Control.Mist.Buffer, run.Rig().State.FilmG, run.Rig().State.DropletsG, tr.AirC)
	}
}

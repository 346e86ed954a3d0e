package docs

import (
	"fmt"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// What the picture of a kept chamber shows: the hours of a day from keptFrom on, in a simulated chamber of fruiting oyster that is kept
// about as well as the mean of the hundred that README tells of, by gillkeeper and by common practice alike.
const (
	keptSeed  = 3
	keptFrom  = 12
	keptHours = 6
)

// kept shows the true air of one simulated chamber, kept by the program and by common practice in the same weather.
func kept() ([]byte, error) {
	c := rehearse.FamilyCase(keptSeed, species.Fruiting)
	c.For, c.Trace = (keptFrom+keptHours)*time.Hour, true
	c.Actions = []policy.Action{{ID: "1", Kind: policy.BatchAdd, Batch: "oyster", Species: "pleurotus-ostreatus", Stage: species.Fruiting, SubstrateKg: 12, DryKg: 4}}
	climates, err := wanting(c)
	if err != nil {
		return nil, err
	}
	p := &policy.Policy{Spec: c.Spec, Climates: climates}
	ours, err := passed(c, rehearse.NewPolicyController(p, c.Start))
	if err != nil {
		return nil, err
	}
	practice, err := passed(c, rehearse.NewCommonPractice(c.Spec, c.Target, rehearse.CarefulTimer(c)))
	if err != nil {
		return nil, err
	}

	d := newDrawing(820, 545, "Six hours of a simulated chamber, kept by gillkeeper and by a humidistat with a fan timer")
	d.colored(770, 24, "end", orange, "a humidistat and a fan timer")
	d.colored(560, 24, "end", green, "gillkeeper")
	band := c.Target.RelativeHumidity
	rh := &panel{d, 70, 60, 700, 190, 0, keptHours, 80, 100}
	rh.band(100*band.Low, 100*band.High, pale)
	rh.axes(1, 5, "", "relative humidity, %; the band is what fruiting oyster wants here")
	co2 := &panel{d, 70, 310, 700, 150, 0, keptHours, 400, 1600}
	co2.band(400, c.Target.CO2MaxPPM, pale)
	co2.axes(1, 400, "", fmt.Sprintf("CO2, ppm; at most %.0f", c.Target.CO2MaxPPM))
	for _, line := range []struct {
		color string
		of    *rehearse.Trace
	}{{orange, practice}, {green, ours}} {
		from := len(line.of.RH) - keptHours*60
		humidity := make([]float64, 0, keptHours*60)
		for _, x := range line.of.RH[from:] {
			humidity = append(humidity, 100*x)
		}
		rh.series(line.color, humidity)
		co2.series(line.color, line.of.CO2[from:])
	}
	d.text(420, 498, "middle", "hours")
	d.text(420, 524, "middle", "the true air, minute by minute, on the afternoon of the first day; lines end where the frame does")
	return d.bytes(), nil
}

// wanting is the table of climates with what is wanted of the air in a case.
func wanting(c *rehearse.Case) (*species.Table, error) {
	between := func(b chamber.Band) species.Range { return species.Range{Low: b.Low, High: b.High} }
	return species.Builtin().With([]species.Override{{Species: "pleurotus-ostreatus", Stage: c.Target.Stage,
		RelativeHumidity: between(c.Target.RelativeHumidity), TemperatureC: between(c.Target.TemperatureC), CO2MaxPPM: new(c.Target.CO2MaxPPM)}})
}

// passed is the course of a case under a controller.
func passed(c *rehearse.Case, by rehearse.Controller) (*rehearse.Trace, error) {
	run, err := rehearse.New(c, by)
	if err != nil {
		return nil, err
	}
	run.Advance(c.For)
	return run.Trace(), nil
}

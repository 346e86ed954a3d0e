package docs

import (
	"fmt"
	"time"

	"gillkeeper/policy/air"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/sizing"
	"gillkeeper/policy/species"
)

// Picture is an SVG that a page shows.
type Picture struct {
	File string
	Draw func() ([]byte, error)
}

// Pictures are all pictures of the pages. What they show is worked out by the program's own physics, for the chamber that
// "gillkeeper size --example" sizes, but for a chamber that is kept; only the mounting is drawn by hand.
var Pictures = []Picture{{"mounting.svg", mounting}, {"vapor.svg", vapor}, {"balance.svg", balance}, {"fan.svg", fan}, {"hour.svg", hour}, {"kept.svg", kept}}

// example is the built-in example and its answer.
func example() (sizing.Answer, error) { return sizing.Size(sizing.Example(), species.Builtin()) }

const (
	chamberC = 20.0  // the example's chamber is as warm as its room
	aim      = 0.875 // of oyster while fruiting
	mostCO2  = 1000.0
)

// grams is the vapor in a cubic meter of air.
func grams(t, rh float64) float64 {
	g, _ := air.VaporDensity(air.Celsius(t), air.Ratio(rh))
	return float64(g)
}

func mounting() ([]byte, error) {
	d := newDrawing(820, 620, "A fruiting chamber and what hangs in it, seen from the side")
	// The chamber with its shelves and blocks.
	d.rect(240, 90, 300, 440, "#f7faf8", ink)
	for _, y := range []float64{215, 325, 435} {
		d.path(ink, 2, "", [2]float64{250, y}, [2]float64{530, y})
		for _, x := range []float64{275, 365, 455} {
			if y < 400 || x != 365 { // above the jet nothing stands
				d.rect(x, y-52, 52, 52, "#e9dcc6", ink)
			}
		}
	}
	// Humidifier in its tray.
	d.path(ink, 2.5, "", [2]float64{330, 512}, [2]float64{330, 526}, [2]float64{470, 526}, [2]float64{470, 512})
	d.rect(365, 476, 70, 46, sky, ink)
	for _, x := range []float64{383, 400, 417} {
		d.path("#7fa8c4", 2, "3 4", [2]float64{x, 474}, [2]float64{x - 6, 404})
	}
	// Air.
	d.rect(420, 56, 54, 34, "#fff", ink)
	d.text(447, 78, "middle", "fan")
	d.arrow(447, 130, 447, 96, green)
	d.path(ink, 2, "", [2]float64{447, 56}, [2]float64{447, 34}, [2]float64{600, 34})
	d.arrow(600, 34, 660, 34, green)
	d.arrow(186, 500, 250, 500, green)
	// Three places to measure, out of the jet.
	for _, y := range []float64{128, 250, 400} {
		d.dot(524, y, orange)
	}
	d.dot(200, 420, orange)
	// Plugs above the water, with a loop in the cable.
	d.rect(640, 190, 120, 44, "#fff", ink)
	d.text(700, 217, "middle", "smart plugs")
	d.path(ink, 1.6, "", [2]float64{435, 500}, [2]float64{560, 500}, [2]float64{600, 540}, [2]float64{640, 500}, [2]float64{660, 234})
	d.path(ink, 1.6, "", [2]float64{760, 212}, [2]float64{786, 212})
	d.rect(756, 250, 60, 44, "#fff", ink)
	d.path(ink, 1.6, "", [2]float64{786, 212}, [2]float64{786, 250})
	d.text(786, 269, "middle", "RCD or")
	d.text(786, 286, "middle", "GFCI")
	// What is what.
	d.text(664, 39, "start", "to a window or a filter")
	d.text(20, 484, "start", "intake: low, with a")
	d.text(20, 504, "start", "washable dust filter")
	d.text(20, 400, "start", "one sensor in the room")
	d.text(20, 420, "start", "(what the fan draws in)")
	d.path(orange, 1, "", [2]float64{560, 128}, [2]float64{530, 128})
	d.path(orange, 1, "", [2]float64{560, 150}, [2]float64{529, 247})
	d.path(orange, 1, "", [2]float64{560, 165}, [2]float64{527, 394})
	d.text(564, 128, "start", "sensors at three heights,")
	d.text(564, 148, "start", "out of the mist's jet,")
	d.text(564, 168, "start", "not under the lamp")
	d.text(20, 560, "start", "humidifier inside, on the lowest level, in a tray that holds")
	d.text(20, 580, "start", "a whole filling; its jet points at no block and no sensor")
	d.path(ink, 0.8, "", [2]float64{215, 545}, [2]float64{360, 515})
	d.text(560, 560, "start", "drip loop: the cable hangs")
	d.text(560, 580, "start", "lower than the plug")
	d.text(20, 120, "start", "the fan pulls: air leaks in,")
	d.text(20, 140, "start", "spores do not leak out")
	d.text(20, 215, "start", "space between blocks")
	d.path(ink, 0.8, "", [2]float64{182, 209}, [2]float64{346, 195})
	return d.bytes(), nil
}

func vapor() ([]byte, error) {
	d := newDrawing(820, 500, "How much water vapor air can hold, by its temperature")
	p := &panel{d, 70, 50, 560, 370, 0, 35, 0, 40}
	p.axes(5, 5, "temperature of the air, °C", "water vapor, g in a cubic meter")
	for _, c := range []struct {
		rh    float64
		color string
		name  string
	}{{1, green, "100 %: full"}, {aim, green, "87.5 %: aim for oyster"}, {0.35, orange, "35 %: a heated room"}} {
		dash := ""
		if c.rh == aim {
			dash = "6 4"
		}
		p.curve(c.color, 2.4, dash, 0, 35, func(t float64) float64 { return grams(t, c.rh) })
		end := p.at(35, min(grams(35, c.rh), 39.2))
		d.colored(end[0]+8, end[1]+5, "start", c.color, c.name)
	}
	room, wanted := p.at(chamberC, grams(chamberC, 0.35)), p.at(chamberC, grams(chamberC, aim))
	d.arrow(room[0], room[1]-6, wanted[0], wanted[1]+8, ink)
	d.dot(room[0], room[1], orange)
	d.dot(wanted[0], wanted[1], green)
	d.text(room[0]+10, (room[1]+wanted[1])/2+5, "start", fmt.Sprintf("mist adds %.1f g", grams(chamberC, aim)-grams(chamberC, 0.35)))
	s, _ := air.New(chamberC, aim, air.StandardPressure)
	dew, ok := s.DewPoint()
	if !ok {
		return nil, fmt.Errorf("no dew point at %v °C and %v", chamberC, aim)
	}
	wall := p.at(float64(dew), grams(chamberC, aim))
	d.path(ink, 1.5, "3 3", wanted, wall)
	d.path(ink, 1.5, "3 3", wall, p.at(float64(dew), 0))
	d.dot(wall[0], wall[1], ink)
	d.text(wall[0]-10, wall[1]-8, "end", fmt.Sprintf("walls below %.1f °C drip", float64(dew)))
	return d.bytes(), nil
}

func balance() ([]byte, error) {
	a, err := example()
	if err != nil {
		return nil, err
	}
	season, room := a.Seasons[0], sizing.Example().Rooms[0]
	d := newDrawing(900, 440, "What fresh air does: carbon dioxide goes, and so does moisture")
	const most = 8.0
	p := &panel{d, 70, 50, 340, 310, 0, most, 0, 3000}
	limit := p.at(0, mostCO2)
	p.axes(1, 500, "fresh air, m³/h", "CO2 in the chamber, ppm, where the crop gives off")
	for _, c := range []struct {
		g    float64
		dash string
		name string
		x, y float64 // of the name
	}{{season.CO2GPerH.Low, "4 4", "at least", 4.5, 400}, {season.CO2GPerH.Likely, "", "likely", 2.6, 840}, {season.CO2GPerH.High, "4 4", "at most", 2.0, 1750}} {
		ppm := func(q float64) float64 {
			share, _ := air.CO2Share(air.GramsPerCubicMeter(c.g/q), chamberC, air.Pascal(a.PressurePa))
			return room.CO2PPM + float64(share)
		}
		p.curve(green, 2.2, c.dash, 0.1, most, ppm)
		name := p.at(c.x, c.y)
		d.colored(name[0], name[1], "start", green, fmt.Sprintf("%.1f g/h %s", c.g, c.name))
	}
	d.path(orange, 1.6, "", limit, p.at(most, mostCO2))
	d.colored(p.at(most, 0)[0]-4, limit[1]-6, "end", orange, "what oyster bears")

	q := &panel{d, 510, 50, 340, 310, 0, most, 0, 100}
	q.axes(1, 20, "fresh air, m³/h", "water that it lacks, g/h")
	lacks := grams(chamberC, aim) - grams(room.TemperatureC, room.RelativeHumidity)
	q.curve(green, 2.4, "", 0, most, func(x float64) float64 { return x * lacks })
	likely := season.FlowM3PerH.Likely
	end := q.at(likely, likely*lacks)
	d.path(ink, 1.2, "3 3", q.at(likely, 0), end)
	d.dot(end[0], end[1], ink)
	d.text(end[0]+10, end[1]+20, "start", fmt.Sprintf("%.1f m³/h hold 1000 ppm", likely))
	d.text(end[0]+10, end[1]+38, "start", fmt.Sprintf("and cost %.0f g of water an hour", likely*lacks))
	return d.bytes(), nil
}

// fan plays one run of the fan, with the humidifier off, in the simulated chamber.
func fan() ([]byte, error) {
	const (
		before = 5 * time.Minute
		on     = 2 * time.Minute
		after  = 23 * time.Minute
		step   = time.Second
	)
	params := plant.Nominal()
	params.FanM3PerH = 9 // what duct and filter leave of the example's fan
	params.MistGPerH = 100
	e := sizing.Example().Rooms[0]
	room := plant.Room{AirC: e.TemperatureC, RelativeHumidity: e.RelativeHumidity, CO2PPM: e.CO2PPM}
	s := plant.Start(&params, room)
	// Hours of being kept moist and stale first, so that walls and blocks are what they are in use.
	for t := time.Duration(0); t < 6*time.Hour; t += step {
		var plugs plant.Plugs
		truth := s.Truth(&params)
		if truth.RelativeHumidity < 0.90 {
			plugs.Humidifier = 1
		}
		if truth.CO2PPM > 1400 {
			plugs.ExhaustFan = 1
		}
		s = plant.Step(&params, s, plugs, room, step.Seconds())
	}
	s.SetAir(&params, plant.Truth{AirC: s.Truth(&params).AirC, RelativeHumidity: 0.90, CO2PPM: 1400})
	var rh, co2 []float64
	for t := time.Duration(0); t <= before+on+after; t += step {
		truth := s.Truth(&params)
		rh, co2 = append(rh, 100*truth.RelativeHumidity), append(co2, truth.CO2PPM)
		plugs := plant.Plugs{}
		if t >= before && t < before+on {
			plugs.ExhaustFan = 1
		}
		s = plant.Step(&params, s, plugs, room, step.Seconds())
	}
	d := newDrawing(820, 540, "What two minutes of the fan do to humidity and carbon dioxide")
	length := (before + on + after).Minutes()
	top := &panel{d, 70, 50, 700, 180, 0, length, 70, 95}
	low := &panel{d, 70, 300, 700, 180, 0, length, 800, 1600}
	for _, p := range []*panel{top, low} {
		a, b := p.at(before.Minutes(), p.y1), p.at((before+on).Minutes(), p.y0)
		d.rect(a[0], a[1], b[0]-a[0], b[1]-a[1], sky, "none")
	}
	top.axes(5, 5, "", "relative humidity, %")
	low.axes(5, 200, "minutes", "CO2, ppm")
	top.series(green, rh)
	low.series(orange, co2)
	m := top.at(before.Minutes()+on.Minutes()/2, 95)
	d.text(m[0], m[1]-8, "middle", "fan on")
	return d.bytes(), nil
}

func hour() ([]byte, error) {
	a, err := example()
	if err != nil {
		return nil, err
	}
	minutes := a.Seasons[0].Hour
	if len(minutes) < 60 {
		return nil, fmt.Errorf("the example has %d minutes", len(minutes))
	}
	var rh, low, high, co2 []float64
	for _, m := range minutes {
		rh, low, high, co2 = append(rh, 100*m.RelativeHumidity), append(low, 100*m.HumidityLow), append(high, 100*m.HumidityHigh), append(co2, m.CO2PPM)
	}
	d := newDrawing(820, 590, "An hour in the example chamber, held by short pulses")
	p := &panel{d, 70, 50, 700, 180, 0, 60, 84, 92}
	p.band(85, 90, pale)
	p.axes(10, 2, "", "relative humidity, %; the band is what oyster wants")
	for i := range minutes {
		x := p.at(60*(float64(i)+0.5)/float64(len(minutes)), 0)[0]
		d.path("#9cc9b3", 3, "", [2]float64{x, p.at(0, max(low[i], p.y0))[1]}, [2]float64{x, p.at(0, min(high[i], p.y1))[1]})
	}
	p.series(green, rh)
	q := &panel{d, 70, 300, 700, 140, 0, 60, 800, 1000}
	q.axes(10, 50, "", "CO2, ppm; oyster bears 1000")
	q.series(orange, co2)
	for i, strip := range []struct {
		name string
		on   func(sizing.Minute) float64
	}{{"mist", func(m sizing.Minute) float64 { return m.Mist }}, {"fan", func(m sizing.Minute) float64 { return m.Fan }}} {
		y := 486 + 34*float64(i)
		d.text(62, y+17, "end", strip.name)
		d.rect(70, y, 700, 24, "none", faint)
		for j, m := range minutes {
			w := 700 / float64(len(minutes))
			if share := strip.on(m); share > 0 {
				d.rect(70+w*float64(j), y+24*(1-share), w-1, 24*share, green, "none")
			}
		}
	}
	d.text(420, 572, "middle", "minutes; a full bar is a plug that was on for the whole minute")
	return d.bytes(), nil
}

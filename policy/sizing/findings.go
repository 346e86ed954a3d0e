package sizing

import "gillkeeper/policy/species"

// FindingKind names what the numbers say about the chamber and its plugs.
type FindingKind string

// The kinds of findings. The comment says what Value and Limit are.
const (
	Overfilled     FindingKind = "overfilled"       // share of the volume taken by blocks; the handbook's most
	WellFilled     FindingKind = "well_filled"      // the same; the handbook's better
	NoVentilation  FindingKind = "no_ventilation"   // nothing to size a fan by: neither CO2 maximum nor air changes
	CO2Unreachable FindingKind = "co2_unreachable"  // room's ppm; wanted ppm
	CO2Tight       FindingKind = "co2_tight"        // room's ppm; wanted ppm: less than a third of it is left
	CO2Wanted      FindingKind = "co2_wanted"       // ppm wanted at least; room's ppm: ventilate no more than needed
	CO2ForPeople   FindingKind = "co2_for_people"   // ppm wanted at most; exposure limit: air out before leaning in
	FanTooSmall    FindingKind = "fan_too_small"    // m³/h needed at most; m³/h it moves, likely
	FanTooCoarse   FindingKind = "fan_too_coarse"   // fall of RH by its shortest pulse; width wanted
	FanNotNeeded   FindingKind = "fan_not_needed"   // m³/h needed at most; m³/h that leak at least
	MisterTooSmall FindingKind = "mister_too_small" // g/h needed at most; g/h it gives
	MisterTooBig   FindingKind = "mister_too_big"   // rise of RH by its shortest pulse; width wanted
	HumiditySwings FindingKind = "humidity_swings"  // share of the simulated hour near the aim; share to expect
	ReservoirSmall FindingKind = "reservoir_small"  // hours per filling at least; a day
	RoomMoist      FindingKind = "room_moist"       // RH that intake air takes on by itself; RH wanted at most
	SettlesCold    FindingKind = "settles_cold"     // °C likely; °C wanted at least
	SettlesWarm    FindingKind = "settles_warm"     // °C likely; °C wanted at most
	WallsDrip      FindingKind = "walls_drip"       // K of walls above the dew point, likely; 0
	FruitAssumed   FindingKind = "fruit_assumed"    // kg likely; kg at most
)

// Finding is one thing worth telling. Words are made at the edge, in the reader's units.
type Finding struct {
	Kind    FindingKind `json:"kind"`
	Room    string      `json:"room,omitempty"` // name of the season's room; empty: holds for all
	Value   float64     `json:"value"`
	Limit   float64     `json:"limit"`
	Warning bool        `json:"warning"` // something should change; else it is good to know
}

// findings compares the answer with what is at hand and what the handbook says.
func (c *calculation) findings(a *Answer) []Finding {
	var all []Finding
	tell := func(warning bool, kind FindingKind, room string, value, limit float64) {
		all = append(all, Finding{kind, room, value, limit, warning})
	}
	// The handbook: blocks should fill at most a sixth of the room, better an eighth (Stamets, Growing Gourmet and
	// Medicinal Mushrooms, appendix on growing rooms).
	switch fill := a.FillShare.Likely; {
	case fill > handbookFill:
		tell(true, Overfilled, "", fill, handbookFill)
	case fill > betterFill:
		tell(false, WellFilled, "", fill, betterFill)
	}
	if c.in.FruitKg == 0 && c.fruit.High > 0 {
		tell(false, FruitAssumed, "", c.fruit.Likely, c.fruit.High)
	}
	if c.want.CO2MaxPPM == 0 && !c.want.FAEPerHour.Given() {
		tell(false, NoVentilation, "", 0, 0)
	}
	if c.want.CO2MaxPPM > dailyLimitPPM || c.in.Stage == species.Colonization && c.want.CO2MaxPPM == 0 {
		tell(true, CO2ForPeople, "", c.want.CO2MaxPPM, dailyLimitPPM)
	}
	for i := range a.Seasons {
		c.judgeAir(&a.Seasons[i], tell)
		c.judgeWater(&a.Seasons[i], tell)
		c.judgeWarmth(&a.Seasons[i], tell)
	}
	return all
}

type teller func(warning bool, kind FindingKind, room string, value, limit float64)

func (c *calculation) judgeAir(s *Season, tell teller) {
	name, most := s.Room.Name, c.want.CO2MaxPPM
	switch room := s.Room.CO2PPM; {
	case most > 0 && room >= most:
		tell(true, CO2Unreachable, name, room, most)
	case most > 0 && room > most*2/3:
		tell(true, CO2Tight, name, room, most)
	}
	if c.want.CO2MinPPM > 0 {
		tell(false, CO2Wanted, name, c.want.CO2MinPPM, s.Room.CO2PPM)
	}
	fan := c.fanFlow()
	if s.FlowKnown && s.FlowM3PerH.High <= s.LeakM3PerH.Low {
		tell(false, FanNotNeeded, name, s.FlowM3PerH.High, s.LeakM3PerH.Low)
	}
	if fan.High == 0 {
		return
	}
	if s.FlowKnown && s.FanDuty.High > relayDutyGuard {
		tell(s.FanDuty.Likely > relayDutyGuard, FanTooSmall, name, s.FlowM3PerH.High, fan.Likely)
	}
	if width := c.width(); s.FanStep.Likely > width {
		tell(true, FanTooCoarse, name, s.FanStep.Likely, width)
	}
}

// width is the range of relative humidity wanted, but no less than a sensor can tell.
func (c *calculation) width() float64 {
	return max(c.want.RelativeHumidity.High-c.want.RelativeHumidity.Low, leastWidth)
}

func (c *calculation) judgeWater(s *Season, tell teller) {
	name, m := s.Room.Name, c.in.Mister
	if s.HumidityAtEase > c.want.RelativeHumidity.High {
		tell(true, RoomMoist, name, s.HumidityAtEase, c.want.RelativeHumidity.High)
	}
	if m.OutputGPerH > 0 {
		if s.MisterDuty.High > relayDutyGuard {
			tell(s.MisterDuty.Likely > relayDutyGuard, MisterTooSmall, name, s.MistGPerH.High, m.OutputGPerH)
		}
		if width := c.width(); s.MistStep.Likely > width {
			tell(true, MisterTooBig, name, s.MistStep.Likely, width)
		}
	}
	if len(s.Hour) > 0 && s.HeldShare < mostlyHeld && m.OutputGPerH > 0 {
		tell(true, HumiditySwings, name, s.HeldShare, mostlyHeld)
	}
	if s.FillingHours.Low > 0 && s.FillingHours.Low < shortFillingH {
		tell(s.FillingHours.Likely < shortFillingH, ReservoirSmall, name, s.FillingHours.Low, shortFillingH)
	}
}

func (c *calculation) judgeWarmth(s *Season, tell teller) {
	name := s.Room.Name
	switch t := s.Settles.Likely; {
	case t < c.want.TemperatureC.Low:
		tell(true, SettlesCold, name, t, c.want.TemperatureC.Low)
	case t > c.want.TemperatureC.High:
		tell(true, SettlesWarm, name, t, c.want.TemperatureC.High)
	}
	if s.CondensationK.Likely < 0 {
		tell(true, WallsDrip, name, s.CondensationK.Likely, 0)
	}
}

// leastWidth is the narrowest band of relative humidity that a sensor good to 2 points can be held to.
const leastWidth = 0.05

// mostlyHeld is the share of an hour that matched plugs keep the humidity within half of leastWidth of the aim.
const mostlyHeld = 0.9

// Advice is how such a chamber is usually built. All of it is common practice.
func Advice() []string {
	return []string{
		"Let the exhaust fan pull air out at the top, so that spores leave by the duct, to a window or into a filter, and room air comes in low.",
		"Push filtered air in instead (positive pressure) only before fruiting, while clean air matters more than spores.",
		"Stand the humidifier inside on the lowest level, with a tray under it.",
		"Check and wash the filter; spores clog it within days of heavy fruiting.",
		"Keep direct sun out; some ambient or added light is enough.",
		"Leave space between blocks; never cram them.",
		"Measure at three places, and keep the sensors out of the mist's jet and off the lamp.",
		"Use water low in minerals; empty, dry and clean the tank every third day.",
	}
}

// Cautions are what a grower should know before working beside such a chamber.
func Cautions(stage species.Stage) []string {
	all := []string{
		"Mains beside water: feed every plug through a 30 mA residual-current breaker (5 mA ground-fault breaker in North America), keep plugs above the water line and give cables a drip loop.",
		"Spores harm lungs: exhaust outdoors or through a filter, pick before caps shed heavily, wear an FFP2 or N95 mask at harvest, and see a physician about fever or cough some hours after work.",
		"Carbon dioxide leaves the chamber into the room: the exposure limit for people is 5000 ppm over 8 hours, so air the room.",
		"Never trust a switched plug alone to stop a heater: it needs a thermal cutout of its own.",
	}
	if stage == species.Colonization {
		all = append(all, "A colonizing chamber may hold far more than 5000 ppm: air it out before leaning in.")
	}
	return all
}

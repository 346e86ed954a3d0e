package words

import "gillkeeper/policy/learn"

// Changed says what jumped of what was learned of a chamber, and what may be behind it.
func Changed(what learn.Jumped) string {
	switch what {
	case learn.FanFlow:
		return "the fan moves more or less air than before, as after a new filter or when a duct has come off"
	case learn.CO2Generation:
		return "the crop gives off more or less CO2 than before, as after a harvest or when blocks were put in or taken out"
	case learn.Leak:
		return "the chamber leaks more or less than before, as with a door ajar or a gap taped up"
	case learn.MistOutput:
		return "the humidifier gives more or less mist than before, as after a cleaning"
	}
	return string(what) + " changed"
}

// Gap says what cannot be known of a chamber for want of a sensor.
func Gap(g learn.Gap) string {
	switch g {
	case learn.NoCO2:
		return "Without a CO2 sensor in the chamber, neither the fan's air nor the crop's CO2 can be learned: the fan's label is believed, and fresh air goes by the clock."
	case learn.NoRoomCO2:
		return "Without a CO2 sensor in the room, its CO2 is guessed: air changes and the crop's CO2 are less sure, and a clogging filter may be found late."
	case learn.NoHumidity:
		return "Without a humidity sensor in the chamber, nothing can be learned about mist and evaporation."
	case learn.OneHumidity:
		return "With only one humidity sensor, its own error cannot be told from a change in the air."
	case learn.NoRoomRH:
		return "Without a humidity sensor in the room, the room's vapor is learned with the rest: mist and evaporation are less sure, and a disc that scales slowly is not found."
	}
	return "Gap " + string(g) + "."
}

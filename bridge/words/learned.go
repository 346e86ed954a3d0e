package words

import "gillkeeper/policy/learn"

// Changed says what jumped of what was learned of a chamber, and what may be behind it.
func Changed(what learn.Jumped) string {
	switch what {
	case learn.FanFlow:
		return "the fan moves another amount of air, as after a new filter or with a duct come off"
	case learn.CO2Generation:
		return "the crop gives off another amount of CO2, as after a harvest or with blocks put in or taken out"
	case learn.Leak:
		return "the chamber leaks otherwise, as with a door ajar or a gap taped up"
	case learn.MistOutput:
		return "the humidifier gives another amount of mist, as after a cleaning"
	}
	return string(what) + " changed"
}

// Gap says what cannot be known of a chamber for want of a sensor.
func Gap(g learn.Gap) string {
	switch g {
	case learn.NoCO2:
		return "Without a CO2 sensor in the chamber neither the air moved nor the crop's CO2 can be learned: the labels are believed, and fresh air goes by the clock."
	case learn.NoRoomCO2:
		return "Without a CO2 sensor in the room its CO2 is guessed: air changes and the crop's CO2 are less sure, and a clogging filter is found late or not at all."
	case learn.NoHumidity:
		return "Without a humidity sensor in the chamber nothing of mist and evaporation can be learned."
	case learn.OneHumidity:
		return "With one humidity sensor an error of its own cannot be told from the air's."
	case learn.NoRoomRH:
		return "Without a humidity sensor in the room its vapor is learned with the rest: mist and evaporation are less sure."
	}
	return "Gap " + string(g) + "."
}

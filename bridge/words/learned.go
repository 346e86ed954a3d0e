package words

import "gillkeeper/policy/learn"

// Gap says what cannot be known of a chamber for want of a sensor.
func Gap(g learn.Gap) string {
	switch g {
	case learn.NoCO2:
		return "Without a CO2 sensor in the chamber neither the air moved nor the crop's CO2 can be learned: the labels are believed, and fresh air goes by the clock."
	case learn.NoRoomCO2:
		return "Without a CO2 sensor in the room its CO2 is guessed: air changes and the crop's CO2 are less sure."
	case learn.NoHumidity:
		return "Without a humidity sensor in the chamber nothing of mist and evaporation can be learned."
	case learn.OneHumidity:
		return "With one humidity sensor an error of its own cannot be told from the air's."
	case learn.NoRoomRH:
		return "Without a humidity sensor in the room its vapor is guessed: mist and evaporation are less sure."
	}
	return "Gap " + string(g) + "."
}

package alarm

import "time"

// The limits of the detectors, each with its unit and its reason. Values without a source are starting values from
// common practice.
const (
	// HumidityDeadband, as a ratio: the alarm comes this far outside the band and goes when the air is back in it.
	// Half of the ±3 % that capacitive sensors are good for above 90 %.
	HumidityDeadband = 0.015
	// TemperatureDeadbandK, kelvins: twice what sensors of ±0.3 K are good for would hide a failing heater; one is enough.
	TemperatureDeadbandK = 0.5
	// CO2DeadbandPPM and CO2DeadbandShare add up: the accuracy of a good infrared sensor.
	CO2DeadbandPPM   = 75
	CO2DeadbandShare = 0.05

	// ChamberOpenAfter: somebody at work in it is no alarm.
	ChamberOpenAfter = 10 * time.Minute
	// PlugDisobeysAfter: a plug on a bad wireless link takes tens of seconds to answer.
	PlugDisobeysAfter = time.Minute

	// weakOn and weakOff: share of the mist output when clean. A third lost is felt in the on-time.
	weakOn, weakOff = 0.60, 0.70
	// clogOn: share of the air flow when clean; severe below clogSevere. What is learned follows a flow that falls by 4 % a day by
	// so much later that it is then at 0.69. Where the room's CO2 is a guess, clogOnBlind: a flow that is less sure must fall further.
	clogOn, clogOnBlind, clogSevere = 0.74, 0.70, 0.40
	// clogDeadband: by how much more of the clean flow than it comes at the alarm goes, whether the room is measured or not.
	clogDeadband          = 0.08
	clogOff, clogOffBlind = clogOn + clogDeadband, clogOnBlind + clogDeadband

	// Limits of CO2 for people, ppm by volume.
	//
	// unsafeEightHours: mean over eight hours: OSHA permissible exposure limit (29 CFR 1910.1000 Table Z-1), NIOSH
	// recommended limit, EU indicative limit (Directive 2006/15/EC).
	unsafeEightHours = 5000
	// unsafeQuarterHour: mean over fifteen minutes: NIOSH short-term limit (Pocket Guide to Chemical Hazards).
	unsafeQuarterHour = 30_000
	// unsafeAtOnce: immediately dangerous to life or health (NIOSH).
	unsafeAtOnce = 40_000

	// CleanAfter and CleanLiters: hygiene of the reservoir, unless the configuration says otherwise. The EPA (Indoor Air
	// Facts No. 8, 1991) asks to clean and dry humidifiers regularly, in homes every third day (from memory). A week is the
	// longest that common practice leaves a tank that is never dry, and 15 liters are a week of one disc that runs a third of
	// the time.
	CleanAfter  = 7 * 24 * time.Hour
	CleanLiters = 15.0

	// LowAhead is how long before the reservoir runs dry reservoir_low comes: time to get home from a day out.
	LowAhead = 24 * time.Hour
)

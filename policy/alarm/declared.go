package alarm

import "time"

// Priority says how soon a person should act. It comes from the consequence and the time to respond, see [priorityOf].
type Priority uint8

// The priorities.
const (
	Low Priority = iota
	Medium
	High
	Urgent
)

var priorityNames = [...]string{"low", "medium", "high", "urgent"}

func (p Priority) String() string {
	if int(p) < len(priorityNames) {
		return priorityNames[p]
	}
	return "unknown"
}

// MarshalText gives the word used in configuration and metrics.
func (p Priority) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText accepts the words of the configuration.
func (p *Priority) UnmarshalText(b []byte) error {
	for i, w := range priorityNames {
		if w == string(b) {
			*p = Priority(i)
			return nil
		}
	}
	return &badPriority{string(b)}
}

type badPriority struct{ word string }

func (e *badPriority) Error() string {
	return `"` + e.word + `" is not a priority; priorities are low, medium, high, urgent`
}

// again is how long a person is left in peace before the same alarm about the same thing is sent once more.
func (p Priority) again() time.Duration {
	switch p {
	case Urgent:
		return 10 * time.Minute
	case High:
		return time.Hour
	case Medium:
		return 6 * time.Hour
	}
	return dayLong
}

// Severity is how bad it gets when nobody acts.
type Severity uint8

// The severities.
const (
	Minor  Severity = iota + 1 // a nuisance
	Partly                     // part of a flush, or its quality
	Flush                      // a flush, or equipment
	Person                     // somebody's health
)

// Times to respond are sorted into three classes, as ISA-18.2 has it done when alarms are rationalized; the limits are
// those of a household, where nobody stands by: half an hour is "now", half a day is "today".
const (
	respondNow   = 30 * time.Minute
	respondToday = 12 * time.Hour
)

// priorityOf is the matrix of severity and time to respond.
func priorityOf(s Severity, respond time.Duration) Priority {
	class := 0 // in days
	switch {
	case respond <= respondNow:
		class = 2
	case respond <= respondToday:
		class = 1
	}
	return [...][3]Priority{
		Minor:  {Low, Low, Medium},
		Partly: {Low, Medium, High},
		Flush:  {Medium, High, Urgent},
		Person: {High, High, Urgent},
	}[s][class]
}

// Declaration is what was thought out about one alarm beforehand: an alarm for which nobody can say what to do is none.
type Declaration struct {
	Name        Name          `json:"name"`
	Says        string        `json:"says"` // one line, for a message
	Cause       string        `json:"cause"`
	Consequence string        `json:"consequence"`
	Action      string        `json:"action"`
	Severity    Severity      `json:"severity"`
	Respond     time.Duration `json:"respond"` // time to respond, before the consequence
	Priority    Priority      `json:"priority"`
	OnDelay     time.Duration `json:"on_delay"`
	OffDelay    time.Duration `json:"off_delay"`
	// Deadband lies between the limit that raises and the one that returns, in the quantity's unit; 0: a yes or no.
	Deadband float64 `json:"deadband,omitempty"`
	// SuppressedBy lists the alarms that suppress this one by design; FollowsFrom those to which it is attached.
	SuppressedBy []Name `json:"suppressed_by,omitempty"`
	FollowsFrom  []Name `json:"follows_from,omitempty"`
	// Latched: it stays until a person resets it, even when its condition has ceased.
	Latched bool `json:"latched,omitempty"`
}

// Of returns the declaration of an alarm. It panics on a name that is none.
func Of(n Name) *Declaration { return &Declared[n.Index()] }

// Told is the declaration of an alarm with the words for its condition's code: under some it is another thing to a person.
func Told(n Name, code Code) *Declaration {
	d := Of(n)
	for i := range Variants {
		if v := &Variants[i]; v.Alarm == n && v.Code == code {
			told := *d
			told.Says, told.Cause, told.Consequence, told.Action = v.Says, v.Cause, v.Consequence, v.Action
			return &told
		}
	}
	return d
}

// Variant is what an alarm says of itself under a code; all else is the alarm's own.
type Variant struct {
	Alarm                            Name
	Code                             Code
	Says, Cause, Consequence, Action string
}

// Variants lists all of them. It is not to be written to.
var Variants = [...]Variant{
	{
		Alarm: HumidityHigh, Code: EndOfRange, Says: "Humidity reads the end of the range: the air is too wet, or the sensor is wet or stuck.",
		Cause:       "Water on the sensor or a sensor that is stuck; or saturated air, by any of the causes of air that is too wet.",
		Consequence: "Where it is the sensor, the crop gets too little mist; where it is the air, caps stay wet.",
		Action:      "Look whether walls and caps are wet. If not, take the sensor out of the mist and let it dry. If they are, check the humidifier and the fan, and wipe up standing water.",
	},
	{
		Alarm: PlugDisobeys, Code: Unheard, Says: "A plug does not answer.",
		Cause:       "It was pulled out, or lost its power or its network. Where it was never heard, a topic is wrong.",
		Consequence: "Its job is not done. If it lost only its network while it was on, nothing stops it.",
		Action:      "Look whether it runs: if so, pull it out of the wall. Check its power and its network. One that never answered: check its topics, and the broker's access list.",
	},
	{
		Alarm: PlugDisobeys, Code: NothingHeard, Says: "Nothing is heard from the chamber: neither sensors nor plugs.",
		Cause:       "The chamber's power is out (a fuse, or a residual-current breaker), or the network that its devices are in.",
		Consequence: "Nothing is measured or switched. Where only the network is down, what ran runs on.",
		Action:      "Check the chamber's power, then its network. If a residual-current breaker has tripped, find out why before you switch it on again: water may have got in.",
	},
	{
		Alarm: SensorSilent, Code: Unusable, Says: "A sensor reports, but what it says cannot be used.",
		Cause:       "A pointer, a name or a unit in the configuration that is not that of its messages, an update that changed them, or a sensor that is broken.",
		Consequence: "What it measures goes unseen. With no other sensor, plugs run as they did before, blindly.",
		Action:      "Read the log: it shows a message and what is wrong with it. Check the sensor's pointer, name and unit in the configuration, or replace the sensor.",
	},
	{
		Alarm: SensorSilent, Code: Outdated, Says: "A sensor's readings are old by their own time stamps.",
		Cause:       "The clock of the sensor or its gateway is behind, or its messages were held back on their way.",
		Consequence: "What it measures goes unseen. With no other sensor, plugs run as they did before, blindly.",
		Action:      "Set the clock of the sensor or its gateway, or have it send readings without a time.",
	},
	{
		Alarm: SensorSilent, Code: Seldom, Says: "A sensor reports less often than its max_age allows.",
		Cause:       "It sends only now and then, or only when something changes; or every other message is lost on its way.",
		Consequence: "Between two reports it counts as silent. With no other sensor, plugs run as they did before, blindly.",
		Action:      "Have it report more often. Or set its max_age in the configuration to two or three times what it takes: but an hour-old reading cannot guide a humidifier.",
	},
	{
		Alarm: SensorDisagrees, Code: Drifted, Says: "The only humidity sensor seems to read too high.",
		Cause:       "It is wet or dirty, hangs in the mist jet, or has drifted: the air takes up less water than it would if it were as damp as that. A disc that was cleaned and not recorded can look the same.",
		Consequence: "It is not used, and plugs run as they did before, blindly. Before that, air drier than it read got too little mist.",
		Action:      "Take it out of the mist and let it dry. Hang another beside it for an hour, or calibrate it with salt. Look whether pins are dry.",
	},
	{
		Alarm: JournalFailing, Code: SetAside, Says: "The journal was damaged. It was set aside, and a new one is kept.",
		Cause:       "A disk that fails, a power failure, or another program that wrote into the file.",
		Consequence: "History and events up to then are in the damaged file only; if the disk is failing, more will be lost.",
		Action:      "Look whether batches, stages and the reservoir are right, and whether the disk is sound. Keep the damaged file until you need nothing of it, and acknowledge this.",
	},
	{
		Alarm: JournalFailing, Code: TakenAway, Says: "The journal's file was taken away in use. A new one is kept.",
		Cause:       "Somebody moved or deleted it, or put another in its place.",
		Consequence: "History and events up to then are not in the new file.",
		Action:      "To have the old one back, stop gillkeeper, put it in place and start again: what happened since is then missing. Otherwise acknowledge this.",
	},
}

// Declared is the table of every alarm, in the order of [Names]. It is not to be written to.
//
// Delays and deadbands are starting values after common practice: no standard gives any for a fruiting chamber. Each
// on-delay is shorter than the time to respond, as ISA-18.2 wants. Where a value has a reason of its own, it stands
// beside it.
var Declared = declare([N]Declaration{
	{
		Name: HumidityLow, Says: "The air is too dry.", Severity: Partly, Respond: 2 * time.Hour,
		Cause:       "Mist cannot keep up: reservoir, humidifier, fan running too long, an open door, or very dry room air.",
		Consequence: "Pins dry out and stall; caps crack.",
		Action:      "Check the humidifier and the door. Mist by hand until humidity is back.",
		OnDelay:     10 * time.Minute, OffDelay: 5 * time.Minute, Deadband: HumidityDeadband,
		SuppressedBy: []Name{ChamberOpen}, FollowsFrom: []Name{ReservoirDry, PlugDisobeys, BrokerLost, SensorDisagrees},
	},
	{
		Name: HumidityHigh, Says: "The air is too wet.", Severity: Minor, Respond: 4 * time.Hour,
		Cause:       "Too much mist, too little fresh air, or a humidifier that does not stop.",
		Consequence: "Caps stay wet; after some hours bacterial blotch and mold start.",
		Action:      "Check that the humidifier is off and the fan moves air. Wipe up standing water.",
		// A wet surface does harm only after four to six hours (extension practice), so half an hour is soon enough.
		OnDelay: 30 * time.Minute, OffDelay: 10 * time.Minute, Deadband: HumidityDeadband,
		SuppressedBy: []Name{ChamberOpen}, FollowsFrom: []Name{PlugDisobeys, FanFailed, BrokerLost, SensorDisagrees},
	},
	{
		Name: CO2High, Says: "CO2 is too high.", Severity: Partly, Respond: 6 * time.Hour,
		Cause:       "Not enough fresh air: fan, filter or duct, or a room whose own CO2 is high.",
		Consequence: "Long stems and small caps; pinning stops.",
		Action:      "Check that the fan runs and the filter is clean. Air the room.",
		OnDelay:     15 * time.Minute, OffDelay: 10 * time.Minute, Deadband: CO2DeadbandPPM,
		SuppressedBy: []Name{ChamberOpen}, FollowsFrom: []Name{FanFailed, PlugDisobeys, BrokerLost, SensorDisagrees},
	},
	{
		Name: TemperatureLow, Says: "The chamber is too cold.", Severity: Partly, Respond: 24 * time.Hour,
		Cause:       "A cold room, a heater that does not heat, or too much cold air drawn in.",
		Consequence: "Growth slows down.",
		Action:      "Check the heater, or warm the room.",
		OnDelay:     10 * time.Minute, OffDelay: 5 * time.Minute, Deadband: TemperatureDeadbandK,
		SuppressedBy: []Name{ChamberOpen}, FollowsFrom: []Name{PlugDisobeys, BrokerLost, SensorDisagrees},
	},
	{
		Name: TemperatureHigh, Says: "The chamber is too warm.", Severity: Partly, Respond: 3 * time.Hour,
		Cause:       "A warm room, sun on the chamber, a heater that does not stop, or blocks that heat themselves up.",
		Consequence: "Fewer pins, thin caps, and competing molds get ahead.",
		Action:      "Check that the heater is off. Cool the room, or move the chamber.",
		OnDelay:     10 * time.Minute, OffDelay: 5 * time.Minute, Deadband: TemperatureDeadbandK,
		SuppressedBy: []Name{ChamberOpen}, FollowsFrom: []Name{PlugDisobeys, FanFailed, ReservoirDry, BrokerLost, SensorDisagrees},
	},
	{
		Name: ReservoirLow, Says: "The humidifier's water will soon run out.", Severity: Flush, Respond: 24 * time.Hour,
		Cause:       "Water was used.",
		Consequence: "When it is empty the crop dries out within hours.",
		Action:      "Refill with low-mineral water, and record it with refill.",
		OnDelay:     10 * time.Minute, OffDelay: 10 * time.Minute,
		FollowsFrom: []Name{ReservoirDry},
	},
	{
		Name: ReservoirDry, Says: "The humidifier gives no mist: out of water, or dead.", Severity: Flush, Respond: 4 * time.Hour,
		Cause:       "The reservoir is empty, or the humidifier is broken, unplugged, or stopped by a humidistat, timer or button of its own. Without a power meter, an open door can look the same.",
		Consequence: "The air dries out within hours. Pins are lost first.",
		Action:      "Refill the reservoir, and check that the chamber is closed. If it still has water, see that it starts by itself when its plug is switched on; then clean or replace the mist disc. Mist by hand until then.",
		OnDelay:     0, OffDelay: 0, // the detector has waited for its evidence already
	},
	{
		Name: HumidifierWeak, Says: "The humidifier gives much less mist than it did.", Severity: Partly, Respond: 2 * 24 * time.Hour,
		Cause:       "Scale on the disc, a worn disc, or water too low or too cold.",
		Consequence: "It runs longer and longer, and in the end cannot keep up.",
		Action:      "Remove the scale from the disc. Use low-mineral water.",
		OnDelay:     time.Hour, OffDelay: time.Hour, Deadband: weakOff - weakOn,
		SuppressedBy: []Name{ChamberOpen}, FollowsFrom: []Name{ReservoirDry},
	},
	{
		Name: FanFailed, Says: "The exhaust fan is on, but the air does not change.", Severity: Flush, Respond: 4 * time.Hour,
		Cause:       "The fan is unplugged, blocked or broken, or its duct came off.",
		Consequence: "CO2 rises, the air stands still, caps stay wet.",
		Action:      "Check the fan and the duct. Until it works, open the door for a few minutes now and then.",
		OnDelay:     time.Minute, OffDelay: 5 * time.Minute,
		SuppressedBy: []Name{ChamberOpen},
	},
	{
		Name: FilterClogged, Says: "The fan moves much less air than with a clean filter.", Severity: Partly, Respond: 2 * 24 * time.Hour,
		Cause:       "Spores and dust in the filter, or a loose or kinked duct.",
		Consequence: "The fan runs longer and longer; in the end CO2 cannot be held down.",
		Action:      "Clean or change the filter; wear a mask. Check the duct.",
		OnDelay:     time.Hour, OffDelay: time.Hour, Deadband: clogDeadband,
		SuppressedBy: []Name{ChamberOpen}, FollowsFrom: []Name{FanFailed},
	},
	{
		Name: PlugDisobeys, Says: "A plug does not do what it is told.", Severity: Flush, Respond: 4 * time.Hour,
		Cause:       "The plug lost its network or its power, or its relay is stuck.",
		Consequence: "Stuck off: its job is not done. Stuck on is worse: only a person can stop it.",
		Action:      "Stuck on: pull it out of the wall. Stuck off: check its power and its network. One that never obeyed: check its command topic, and the broker's access list.",
		OnDelay:     PlugDisobeysAfter, OffDelay: 30 * time.Second,
		SuppressedBy: []Name{BrokerLost},
	},
	{
		Name: SensorSilent, Says: "A sensor has stopped reporting.", Severity: Partly, Respond: 4 * time.Hour,
		Cause:       "Its battery, its power or its network.",
		Consequence: "What it measures goes unseen. With no other sensor, plugs run as they did before, blindly.",
		Action:      "Check the sensor's battery and network. One that was never heard: check its topic, and the broker's access list.",
		OnDelay:     0, OffDelay: time.Minute, // it waited for the sensor's max_age already
		SuppressedBy: []Name{BrokerLost}, FollowsFrom: []Name{PlugDisobeys},
	},
	{
		Name: SensorStuck, Says: "A sensor shows the same value whatever happens.", Severity: Partly, Respond: 4 * time.Hour,
		Cause:       "A wet or worn-out humidity sensor, or a sensor or radio that has locked up.",
		Consequence: "It is not used. With no other sensor, plugs run as they did before, blindly.",
		Action:      "Take it out of the mist and let it dry, or restart it.",
		// It is left out at once; a humidity sensor that only got wet comes free by itself.
		OnDelay: 30 * time.Minute, OffDelay: 10 * time.Minute,
	},
	{
		Name: SensorDisagrees, Says: "A sensor does not agree with another, or cannot be right.", Severity: Partly, Respond: 24 * time.Hour,
		Cause:       "One has drifted, is wet, hangs in the mist jet, or has re-zeroed itself on stale air.",
		Consequence: "The climate is held at the wrong value, and nobody notices.",
		Action:      "Put them side by side for an hour. Calibrate or replace the one that is off.",
		OnDelay:     10 * time.Minute, OffDelay: 30 * time.Minute,
		SuppressedBy: []Name{ChamberOpen},
	},
	{
		Name: ChamberOpen, Says: "The chamber seems to have been left open.", Severity: Partly, Respond: 30 * time.Minute,
		Cause:       "The door or a seam is open.",
		Consequence: "The crop dries out; mist goes into the room.",
		Action:      "Close it.",
		OnDelay:     ChamberOpenAfter, OffDelay: 0,
	},
	{
		Name: RoomCO2Unsafe, Says: "CO2 in the room is at a level unsafe for people.", Severity: Person, Respond: 15 * time.Minute,
		Cause: "Chambers exhaust into a room that is not ventilated, or another source of CO2 or of combustion.",
		Consequence: "Headache, drowsiness; at several percent, loss of consciousness. Limits used: 5,000 ppm mean over 8 hours " +
			"(OSHA, 29 CFR 1910.1000 Table Z-1; EU Directive 2006/15/EC), 30,000 ppm over 15 minutes and 40,000 ppm at once (NIOSH). " +
			"Your local code may be stricter and comes first.",
		Action: "Leave the room and air it. Lead the exhaust outdoors. Do not rely on this program for anybody's safety: " +
			"use a certified alarm where people work.",
		OnDelay: 0, OffDelay: 15 * time.Minute, Deadband: 500, Latched: true, // whoever was not there must learn of it
	},
	{
		Name: HarvestDue, Says: "A batch is due for harvest.", Severity: Partly, Respond: 24 * time.Hour,
		Cause:       "The usual time from pins to harvest has passed.",
		Consequence: "Overripe caps drop spores, which clog the filter and irritate lungs.",
		Action:      "Look, pick, and record it with harvest.",
		OnDelay:     time.Minute, OffDelay: 0,
	},
	{
		Name: StageOverdue, Says: "A batch has been in its stage for longer than usual.", Severity: Minor, Respond: 3 * 24 * time.Hour,
		Cause:       "The crop is slow, stuck, or its stage was not updated.",
		Consequence: "The climate may be wrong for what is growing.",
		Action:      "Look at the crop; set the stage it is in.",
		OnDelay:     time.Minute, OffDelay: 0,
	},
	{
		Name: BrokerLost, Says: "The message broker cannot be reached: nothing is measured or switched.", Severity: Flush, Respond: 4 * time.Hour,
		Cause:       "The broker, its host or the network is down.",
		Consequence: "Plugs stay as they are, or turn themselves off when their timer ends.",
		Action:      "Check the broker and the network.",
		OnDelay:     2 * time.Minute, OffDelay: time.Minute, // a restart takes less
	},
	{
		Name: FallbackActive, Says: "Plugs run by habit, because a reading is missing.", Severity: Partly, Respond: 4 * time.Hour,
		Cause:       "No usable sensor of that quantity is left.",
		Consequence: "The climate drifts with the weather; heating stays off.",
		Action:      "Bring a sensor back.",
		OnDelay:     time.Minute, OffDelay: time.Minute,
		SuppressedBy: []Name{BrokerLost}, FollowsFrom: []Name{SensorSilent, SensorStuck, SensorDisagrees},
	},
	{
		Name: JournalFailing, Says: "Events cannot be written to disk.", Severity: Flush, Respond: 24 * time.Hour,
		Cause:       "The disk is full, read-only or broken.",
		Consequence: "After a power failure, what was learned and done since would be forgotten.",
		Action:      "Free up space, or replace the disk.",
		OnDelay:     30 * time.Second, OffDelay: time.Minute,
	},
	{
		Name: CleaningDue, Says: "The humidifier's reservoir is due for cleaning.", Severity: Minor, Respond: 2 * 24 * time.Hour,
		Cause:       "A week has passed, or 15 liters went through it, since it was last recorded as clean; clean_after and clean_after_liters set other limits.",
		Consequence: "What grows in standing water goes into the air that the crop and you breathe.",
		Action:      "Unplug it. Empty, scrub and dry it, refill it, and record it with refill --cleaned.",
		OnDelay:     time.Minute, OffDelay: 0,
	},
})

// declare fills in what follows from the rest.
func declare(d [N]Declaration) [N]Declaration {
	for i := range d {
		d[i].Priority = priorityOf(d[i].Severity, d[i].Respond)
	}
	return d
}

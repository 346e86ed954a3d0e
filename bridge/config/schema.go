package config

import (
	"fmt"
	"strings"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/species"
)

// Key describes one key of the file.
type Key struct {
	Name     string `json:"name"`  // with its tables: chamber.sensor.topic
	Table    string `json:"table"` // the heading under which it stands: [[chamber.sensor]]
	Type     string `json:"type"`
	Default  string `json:"default,omitempty"`  // as it would stand in the file, or in words; empty: none
	Required bool   `json:"required,omitempty"` // it has no default and must stand
	Allowed  string `json:"allowed"`
	Meaning  string `json:"meaning"`
	Example  string `json:"example"` // a value as it would stand in the file
}

// Keys lists every key of the file in the order in which it is usually written. The reader works from this same list:
// what isn't in it is an unknown key.
func Keys() []Key {
	var keys []Key
	for i := range entries {
		e := &entries[i]
		if e.instead != "" {
			continue
		}
		above, _ := split(e.name)
		keys = append(keys, Key{Name: e.name, Table: sectionOf[above].heading(), Type: e.kind.name, Default: e.defaultText(),
			Required: e.required && e.or == "", Allowed: e.kind.allowed, Meaning: e.meaning, Example: examples[e.name]})
	}
	return keys
}

// entry is one key of the file and how its value is read.
type entry struct {
	name     string
	kind     kind
	def      any    // the default, read; nil: the zero value
	defWords string // in words, where it depends on something
	required bool
	or       string // with required: that other key of the table will do as well
	meaning  string
	instead  string // a key that people expect, and that is refused: the key to use instead
}

func (e *entry) defaultText() string {
	switch {
	case e.defWords != "":
		return e.defWords
	case e.def == nil:
		return ""
	}
	switch v := e.def.(type) {
	case string:
		return fmt.Sprintf("%q", v)
	case time.Duration:
		return fmt.Sprintf("%q", shortDuration(v))
	case fmt.Stringer:
		return fmt.Sprintf("%q", v)
	}
	return fmt.Sprint(e.def)
}

// section is one table of the file.
type section struct {
	name     string
	list     bool // written in double brackets, any number of times
	required bool
}

func (s section) heading() string {
	if s.list {
		return "[[" + s.name + "]]"
	}
	return "[" + s.name + "]"
}

// The tables of the file.
var sections = []section{
	{name: "site"},
	{name: "broker", required: true},
	{name: "broker.embedded"},
	{name: "broker.homie"},
	{name: "http"},
	{name: "journal"},
	{name: "notify", list: true},
	{name: "chamber", list: true, required: true},
	{name: "chamber.sensor", list: true},
	{name: "chamber.plug", list: true},
	{name: "climate", list: true},
}

var (
	fileKind       = pathKind()
	nameInChamber  = nameKind("letters a-z, digits, - and _", partName)
	priorities     = []alarm.Priority{alarm.Low, alarm.Medium, alarm.High, alarm.Urgent}
	priorityKind   = wordKind(words(priorities), func(i int) alarm.Priority { return priorities[i] })
	unitKind       = wordKindOr(unitWords(), unitSigns, func(i int) Unit { return Percent + Unit(i) })
	fahrenheitKind = wordKind([]string{"celsius", "fahrenheit"}, func(i int) bool { return i == 1 })
	twelveKind     = wordKind([]string{"24h", "12h"}, func(i int) bool { return i == 1 })
	stageKind      = wordKind(words(species.Stages()), func(i int) species.Stage { return species.Stages()[i] })
)

func unitWords() []string {
	var w []string
	for u := Percent; int(u) < len(units); u++ {
		w = append(w, u.String())
	}
	return w
}

// The keys of the file.
var entries = []entry{
	{name: "site.name", kind: plainText(maxText), meaning: "what pages and messages call the site"},
	{name: "site.timezone", kind: zoneKind, defWords: "the machine's", meaning: "the timezone of the clock that lamps follow"},
	{name: "site.altitude_m", kind: numberKind(altitudeLimit), def: 0.0, meaning: "height above the sea, for the air pressure"},
	{name: "site.display_temperature", kind: fahrenheitKind, defWords: `"celsius"`, meaning: "what pages and tables show"},
	{name: "site.display_clock", kind: twelveKind, defWords: `"24h"`, meaning: "how pages and tables write the time of day"},

	{name: "broker.url", kind: brokerKind, required: true, meaning: "the MQTT broker's address; embedded starts one inside the daemon"},
	{name: "broker.client_id", kind: plainText(maxText), def: "gillkeeper", meaning: "the daemon's client identifier on the broker; no other client may use it"},
	{name: "broker.username", kind: plainText(maxText), meaning: "the user name to log in with"},
	{name: "broker.password_file", kind: fileKind, meaning: "the file that holds the password and nothing else"},
	{name: "broker.password", instead: "password_file"},
	{name: "broker.ca_file", kind: fileKind, defWords: "the machine's authorities", meaning: "PEM certificates of the authorities that the broker's certificate is checked against"},
	{name: "broker.cert_file", kind: fileKind, meaning: "PEM certificate that the daemon presents to the broker"},
	{name: "broker.key_file", kind: fileKind, meaning: "PEM private key of cert_file"},
	{name: "broker.embedded.listen", kind: listenKind, def: "127.0.0.1:1883", meaning: "where the embedded broker listens"},

	{name: "broker.homie.publish", kind: boolKind, def: true, meaning: "show the chambers as Homie 5 devices"},
	{name: "broker.homie.domain", kind: homieDomainKind, def: "homie", meaning: "first level of their topics; also where sensors and plugs named by homie are looked for"},
	{name: "broker.homie.settable", kind: boolKind, def: true, meaning: "anyone who may publish on the broker may set stage, refill and hand"},

	{name: "http.listen", kind: listenKind, def: "127.0.0.1:9420", meaning: "where page, API, /metrics, /healthz and /readyz are served"},
	{name: "http.token_file", kind: fileKind, meaning: "the file that holds the token that actions need; required when listening beyond loopback"},
	{name: "http.token", instead: "token_file"},
	{name: "http.read_token_file", kind: fileKind, meaning: "the file that holds the token that looking needs; without it anyone who reaches the page may look"},
	{name: "http.read_token", instead: "read_token_file"},
	{name: "http.hosts", kind: hostsKind, defWords: "localhost and addresses; beyond loopback any", meaning: "names by which page and API are reached, also through a proxy; no other name is answered"},
	{name: "http.base_path", kind: basePathKind, defWords: "none", meaning: "path in front of every other, if a proxy passes it on"},

	{name: "journal.path", kind: fileKind, def: "gillkeeper.db", meaning: "the file that keeps what must not be lost; created when it is missing"},
	{name: "journal.minutes_days", kind: numberKind(keepLimit), def: 30.0, meaning: "how long history is kept by the minute; older history is merged into steps of ten minutes"},
	{name: "journal.ten_minutes_days", kind: numberKind(keepLimit), def: 400.0, meaning: "how long it is kept by ten minutes; older history is merged into hours"},
	{name: "journal.hours_days", kind: numberKind(keepLimit), def: 3650.0, meaning: "how long it is kept at all"},
	{name: "journal.events_days", kind: numberKind(keepLimit), def: 200.0, meaning: "how long switchings with their reasons, alarms and other events are kept; what people did is kept forever"},

	{name: "notify.url_file", kind: fileKind, required: true, meaning: "the file that holds one notification service's address"},
	{name: "notify.url", instead: "url_file"},
	{name: "notify.min_priority", kind: priorityKind, def: alarm.High, meaning: "alarms below it are not sent"},
	{name: "notify.quiet", kind: clockPairKind, defWords: "none", meaning: "start and end of the time in which only urgent alarms are sent, in the site's timezone; the others follow afterward"},
	{name: "notify.daily", kind: clockKind, defWords: "none", meaning: "when to send a line on every chamber each day, in the site's timezone, so that silence tells you something is wrong"},

	{name: "chamber.name", kind: nameKind("letters a-z, digits and -", chamberName), required: true, meaning: "what commands, metrics and topics call the chamber; unique"},
	{name: "chamber.volume_m3", kind: numberKind(volumeLimit), required: true, meaning: "air space inside"},

	{name: "chamber.auto_advance", kind: boolKind, def: false, meaning: "batches are moved to the next stage without a person, once time and the crop's respiration agree or the longest usual time has passed; each move can be undone"},

	{name: "chamber.sensor.name", kind: nameInChamber, defWords: "place-quantity", meaning: "unique in the chamber"},
	{name: "chamber.sensor.quantity", kind: quantityKind, required: true, meaning: "what it measures"},
	{name: "chamber.sensor.place", kind: placeKind, def: places[0], meaning: "in the chamber, or in the room whose air it takes in"},
	{name: "chamber.sensor.topic", kind: topicKind(checkTopic), defWords: "none: it is required, unless homie is given", required: true, or: "homie", meaning: "where it reports"},
	{name: "chamber.sensor.homie", kind: homieKind, meaning: "in place of topic: a property of a Homie device, whose unit and state are used"},
	{name: "chamber.sensor.pointer", kind: pointerKind, defWords: "the payload is the number", meaning: "RFC 6901 pointer to the number in a JSON payload"},
	{name: "chamber.sensor.senml_name", kind: senMLKind, meaning: "the record's name, where the payload is a SenML pack (RFC 8428); not with pointer"},
	{name: "chamber.sensor.unit", kind: unitKind, defWords: "percent, celsius, ppm or lux, by quantity", meaning: "unit of the number"},
	{name: "chamber.sensor.max_age", kind: durationKind(ageSpan), def: 5 * time.Minute, meaning: "a sensor that reports nothing for longer than this is silent"},
	{name: "chamber.sensor.alive_topic", kind: topicKind(checkTopic), meaning: "a retained topic that says whether the sensor is alive"},
	{name: "chamber.sensor.alive_payload", kind: payloadKind, def: "online", meaning: "what alive_topic says while the sensor is alive"},
	{name: "chamber.sensor.compensates_pressure", kind: boolKind, def: true, meaning: "co2 only: false for a sensor that counts molecules and ignores altitude"},

	{name: "chamber.plug.role", kind: roleKind, required: true, meaning: "what is plugged into it"},
	{name: "chamber.plug.name", kind: nameInChamber, defWords: "the role", meaning: "unique in the chamber"},
	{name: "chamber.plug.command_topic", kind: topicKind(checkCommandTopic), defWords: "none: it is required, unless homie is given", required: true, or: "homie", meaning: "where it takes commands; no other plug's"},
	{name: "chamber.plug.homie", kind: homieKind, meaning: "in place of command_topic and state_topic: a boolean, settable property of a Homie device"},
	{name: "chamber.plug.homie_power", kind: homieKind, meaning: "in place of power_topic: a property of a Homie device, in W or kW"},
	{name: "chamber.plug.on_payload", kind: payloadKind, def: "ON", meaning: "command to switch on"},
	{name: "chamber.plug.off_payload", kind: payloadKind, def: "OFF", meaning: "command to switch off"},
	{name: "chamber.plug.timed_on_payload", kind: timedPayloadKind, meaning: "command to switch on for {seconds}, after which the plug turns itself off"},
	{name: "chamber.plug.level_payload", kind: levelPayloadKind, meaning: "command of a plug that can be dimmed or has several speeds: {level} stands for the number, 0 for off"},
	{name: "chamber.plug.level_full", kind: numberKind(levelLimit), def: 100.0, meaning: "with level_payload: the number that stands for full output"},
	{name: "chamber.plug.levels", kind: levelsKind, defWords: "ten from min_level to level_full", meaning: "with level_payload: the numbers it may be set to"},
	{name: "chamber.plug.min_level", kind: numberKind(Limit{0.01, 65535, "", "0 is off"}), defWords: "a fifth of level_full", meaning: "with level_payload: the lowest number at which it runs; below it fans stand still"},
	{name: "chamber.plug.state_topic", kind: topicKind(checkTopic), meaning: "where it says whether it is on"},
	{name: "chamber.plug.state_pointer", kind: pointerKind, defWords: "the payload is the word", meaning: "RFC 6901 pointer to the state in a JSON payload"},
	{name: "chamber.plug.state_on", kind: payloadKind, defWords: "on_payload", meaning: "what it says when it is on"},
	{name: "chamber.plug.state_off", kind: payloadKind, defWords: "off_payload", meaning: "what it says when it is off"},
	{name: "chamber.plug.power_topic", kind: topicKind(checkTopic), meaning: "where it reports its power in watts"},
	{name: "chamber.plug.power_pointer", kind: pointerKind, defWords: "the payload is the number", meaning: "RFC 6901 pointer to the power in a JSON payload"},
	{name: "chamber.plug.output_g_per_h", kind: numberKind(outputLimit), defWords: "learned", meaning: "humidifier only: rated mist; learned as it runs"},
	{name: "chamber.plug.flow_m3_per_h", kind: numberKind(flowLimit), defWords: "learned", meaning: "fans only: rated air flow; learned as it runs"},
	{name: "chamber.plug.reservoir_liters", kind: numberKind(reservoirLimit), defWords: "unknown", meaning: "humidifier only: water in a full reservoir"},
	{name: "chamber.plug.warn_before", kind: durationKind(warnSpan), def: alarm.LowAhead, meaning: "humidifier only: how long before the water runs out reservoir_low is raised; where a filling does not last for so long, once a fifth of it is used"},
	{name: "chamber.plug.clean_after", kind: durationKind(cleanSpan), def: alarm.CleanAfter, meaning: "humidifier only: how long after the last recorded cleaning cleaning_due is raised"},
	{name: "chamber.plug.clean_after_liters", kind: numberKind(cleanLimit), def: alarm.CleanLiters, meaning: "humidifier only: or after how much water it is raised"},
	{name: "chamber.plug.min_on", kind: durationKind(runSpan), defWords: "by role: humidifier and fans 20s, heater 30s, lamp 1m, cooler 3m", meaning: "shortest run; plugs of one role run together, by the longest of theirs"},
	{name: "chamber.plug.min_off", kind: durationKind(runSpan), defWords: "by role: humidifier and fans 20s, heater 30s, lamp 1m, cooler 5m", meaning: "shortest pause"},
	{name: "chamber.plug.switchings_per_day", kind: numberKind(wearLimit), defWords: "no budget", meaning: "humidifier and exhaust_fan only: how often it may be switched a day, counting on and off each, as long as the crop does not suffer; relays wear out"},
	{name: "chamber.plug.max_on", kind: durationKind(maxSpan), defWords: "by role: humidifier 30m, heater 1h, others no limit", meaning: "longest run, whoever switched it on"},

	{name: "climate.species", kind: plainText(maxName), required: true, meaning: "binomial, lower case with a hyphen; a species that the built-in table lacks needs relative_humidity and temperature_c"},
	{name: "climate.stage", kind: stageKind, required: true, meaning: "which part of the crop's life"},
	{name: "climate.relative_humidity", kind: pairKind(humidityLimit), defWords: "the built-in row's", meaning: "lowest and highest"},
	{name: "climate.temperature_c", kind: pairKind(temperatureLimit), defWords: "the built-in row's", meaning: "lowest and highest"},
	{name: "climate.co2_min_ppm", kind: zeroOr(numberKind(co2Limit)), defWords: "the built-in row's", meaning: "the least the species wants"},
	{name: "climate.co2_max_ppm", kind: numberKind(co2Limit), defWords: "the built-in row's", meaning: "the most the species tolerates"},
	{name: "climate.fae_per_hour", kind: pairKind(faeLimit), defWords: "the built-in row's, more where the load is heavy", meaning: "air changes where there is no CO2 sensor to go by"},
	{name: "climate.light_hours", kind: numberKind(lightLimit), defWords: "the built-in row's", meaning: "hours of light a day; 0 is dark"},
	{name: "climate.lights_on", kind: clockKind, defWords: "the built-in row's", meaning: "when the light comes on, in the site's timezone"},
	{name: "climate.days", kind: pairKind(daysLimit), defWords: "the built-in row's", meaning: "how long the stage lasts"},
}

// entryOf and sectionOf find what the file calls by its full name.
var (
	entryOf   = map[string]*entry{}
	sectionOf = map[string]*section{}
	keysOf    = map[string][]string{} // keys and tables right below a table, as they are written there
)

var _ = indexSchema()

func indexSchema() bool {
	for i := range sections {
		sectionOf[sections[i].name] = &sections[i]
		above, last := split(sections[i].name)
		keysOf[above] = append(keysOf[above], last)
	}
	for i := range entries {
		entryOf[entries[i].name] = &entries[i]
		if above, last := split(entries[i].name); entries[i].instead == "" {
			keysOf[above] = append(keysOf[above], last)
		}
	}
	return true
}

// split parts a full name into that of its table and its own.
func split(name string) (above, last string) {
	if i := strings.LastIndexByte(name, '.'); i >= 0 {
		return name[:i], name[i+1:]
	}
	return "", name
}

func join(above, last string) string {
	if above == "" {
		return last
	}
	return above + "." + last
}

package docs

import (
	"fmt"
	"strings"

	"gillkeeper/bridge/mqtt"
)

// Form is one form of payload with an example. A test loads the lines of every form as one configuration, sends what the
// device sends to a real broker, and holds what comes out against what stands here.
type Form struct {
	Title, Says string
	// Lines stand below [[chamber.sensor]] or, where Plug, below [[chamber.plug]].
	Lines string
	Plug  bool
	Sent  []Message
	// Read says what is made of the last message, in words. Value is the number in the program's units: a ratio, degrees
	// Celsius, ppm, lux; of a plug 1 for on and 0 for off. Watts is the power; 0: the form has none.
	Read  string
	Value float64
	Watts float64
	// Command is what the plug is told for on; of a plug that times itself, for 90 seconds.
	Command string
}

// Message is what a device publishes.
type Message struct {
	Topic, Payload string
	Retained       bool
}

// Forms are all forms of payload, the simplest first.
var Forms = []Form{
	{Title: "A plain number", Says: "The payload is the number and nothing else. Digits, sign, decimal point and exponent are read; a unit after the number, a decimal comma, `NaN` and `inf` are refused.",
		Lines: "quantity = \"temperature\"\nname = \"plain\"\ntopic = \"shed/loft/temperature\"\nunit = \"celsius\"",
		Sent:  []Message{{"shed/loft/temperature", "16.4", false}}, Read: "16.4 °C", Value: 16.4},
	{Title: "A number in another unit", Says: "The unit is that of the number on the wire.",
		Lines: "quantity = \"temperature\"\nname = \"plain-fahrenheit\"\ntopic = \"shed/loft/fahrenheit\"\nunit = \"fahrenheit\"",
		Sent:  []Message{{"shed/loft/fahrenheit", "59", false}}, Read: "59 °F, which is 15.0 °C", Value: 15},
	{Title: "A field of a JSON document", Says: "The pointer (RFC 6901) says where the number is. A number in quotes is read too. Several sensors may name the same topic.",
		Lines: "quantity = \"relative_humidity\"\nname = \"json\"\ntopic = \"shed/loft/air\"\npointer = \"/humidity\"\nunit = \"percent\"",
		Sent:  []Message{{"shed/loft/air", `{"humidity": 87.2, "temperature": 16.4, "battery": 91}`, false}}, Read: "87.2 % relative humidity", Value: 0.872},
	{Title: "A field deeper in a JSON document", Says: "Each step of the pointer is a name, or a position in a list, counted from 0.",
		Lines: "quantity = \"co2\"\nname = \"json-deep\"\ntopic = \"shed/loft/station\"\npointer = \"/sensors/1/value\"\nunit = \"ppm\"",
		Sent:  []Message{{"shed/loft/station", `{"sensors": [{"id": "t", "value": 16.4}, {"id": "co2", "value": 905}]}`, false}}, Read: "905 ppm of CO2", Value: 905},
	{Title: "A SenML pack", Says: "See RFC 8428. `senml_name` is the record's whole name, base name included; the record's own unit is used. A record that carries a time older than `max_age` is shown as last known and not used.",
		Lines: "quantity = \"relative_humidity\"\nname = \"senml\"\ntopic = \"shed/loft/pack\"\nsenml_name = \"loft-air:humidity\"",
		Sent:  []Message{{"shed/loft/pack", `[{"bn": "loft-air:", "n": "humidity", "u": "%RH", "v": 88.5}, {"n": "temperature", "u": "Cel", "v": 16.4}]`, false}}, Read: "88.5 % relative humidity", Value: 0.885},
	{Title: "A property of a Homie device", Says: "Named as device/node/property, of version 5; a whole topic such as `homie/loft-air/climate/temperature` means version 4. The device's description gives the unit; its `$state` tells whether it is alive.",
		Lines: "quantity = \"illuminance\"\nname = \"homie\"\nhomie = \"loft-air/climate/light\"",
		Sent: []Message{
			{"homie/5/loft-air/$description", `{"homie": "5.0", "version": 1, "nodes": {"climate": {"properties": {"light": {"datatype": "float", "unit": "lx"}}}}}`, true},
			{"homie/5/loft-air/$state", "ready", true},
			{"homie/5/loft-air/climate/light", "420", false}}, Read: "420 lx", Value: 420},
	{Title: "Words for on and off", Says: "The plug is commanded with `on_payload` and `off_payload`, and reports `state_on` or `state_off`, which are the same words unless they are given. Upper or lower case and surrounding blanks do not matter.",
		Plug:  true,
		Lines: "role = \"humidifier\"\nname = \"words\"\ncommand_topic = \"shed/loft/mister/set\"\nstate_topic = \"shed/loft/mister\"",
		Sent:  []Message{{"shed/loft/mister", "ON", false}}, Read: "on", Value: 1, Command: "ON"},
	{Title: "State and power in one JSON document", Says: "A state in JSON may also be `true`, `false`, `1` or `0`. Power is in watts.",
		Plug:  true,
		Lines: "role = \"exhaust_fan\"\nname = \"metered\"\ncommand_topic = \"shed/loft/fan/set\"\nstate_topic = \"shed/loft/fan\"\nstate_pointer = \"/relay\"\npower_topic = \"shed/loft/fan\"\npower_pointer = \"/power\"",
		Sent:  []Message{{"shed/loft/fan", `{"relay": true, "power": 11.5}`, false}}, Read: "on, drawing 11.5 W", Value: 1, Watts: 11.5, Command: "ON"},
	{Title: "JSON commands", Says: "Any text can be a command.",
		Plug:  true,
		Lines: "role = \"circulation_fan\"\nname = \"json-told\"\ncommand_topic = \"shed/loft/stir/set\"\non_payload = '{\"on\": true}'\noff_payload = '{\"on\": false}'\nstate_topic = \"shed/loft/stir\"\nstate_pointer = \"/on\"\nstate_on = \"true\"\nstate_off = \"false\"",
		Sent:  []Message{{"shed/loft/stir", `{"on": false}`, false}}, Read: "off", Value: 0, Command: `{"on": true}`},
	{Title: "A plug that turns itself off", Says: "With `timed_on_payload` the command says for how long, so that the plug turns itself off if gillkeeper, the broker or the network is lost. `{seconds}` stands for whole seconds. Use it wherever the plug can do it, above all for humidifier and heater.",
		Plug:  true,
		Lines: "role = \"heater\"\nname = \"timed\"\ncommand_topic = \"shed/loft/heat/set\"\ntimed_on_payload = '{\"on\": true, \"for\": {seconds}}'\noff_payload = '{\"on\": false}'\nstate_topic = \"shed/loft/heat\"\nstate_pointer = \"/on\"\nstate_on = \"true\"\nstate_off = \"false\"",
		Sent:  []Message{{"shed/loft/heat", `{"on": true, "left": 88}`, false}}, Read: "on", Value: 1, Command: `{"on": true, "for": 90}`},
	{Title: "A level", Says: "A plug that can be dimmed, or has several speeds, is commanded with a number: `{level}` in `level_payload`, 0 for off, `level_full` for full output. It reports a number on the same scale, or a word for off.",
		Plug:  true,
		Lines: "role = \"cooler\"\nname = \"dimmed\"\ncommand_topic = \"shed/loft/cool/set\"\nlevel_payload = '{\"speed\": {level}}'\nlevel_full = 255\nstate_topic = \"shed/loft/cool\"\nstate_pointer = \"/speed\"",
		Sent:  []Message{{"shed/loft/cool", `{"speed": 51}`, false}}, Read: "on, at a fifth", Value: 1, Command: `{"speed": 255}`},
	{Title: "A Homie switch", Says: "A boolean, settable property, with its power beside it if it has one.",
		Plug:  true,
		Lines: "role = \"lamp\"\nhomie = \"loft-lamp/switch/on\"\nhomie_power = \"loft-lamp/meter/power\"",
		Sent: []Message{
			{"homie/5/loft-lamp/$description", `{"homie": "5.0", "version": 1, "nodes": {"switch": {"properties": {"on": {"datatype": "boolean", "settable": true}}}, "meter": {"properties": {"power": {"datatype": "float", "unit": "W"}}}}}`, true},
			{"homie/5/loft-lamp/$state", "ready", true},
			{"homie/5/loft-lamp/switch/on", "true", false}}, Read: "on", Value: 1, Command: "true"},
}

// results says what each result of a message means; they are the label `result` of `gillkeeper_messages_total`.
var results = map[mqtt.Result]string{
	mqtt.OK:           "It was used.",
	mqtt.Retained:     "It was kept by the broker, or is older than `max_age` by its own time stamp: shown as last known, and never used.",
	mqtt.BadPayload:   "It is not what the configuration says it is. The log names each cause once.",
	mqtt.Implausible:  "A number that the quantity cannot have, such as 187 % of humidity: probably the wrong `unit` or `pointer`.",
	mqtt.TooLarge:     fmt.Sprintf("It has more than %d KiB.", mqtt.MaxPayload>>10),
	mqtt.UnknownTopic: "It came on a topic that nobody asked for.",
}

// Payloads is every form that sensors and plugs may speak in, by example.
func Payloads() Page {
	p := Page{File: "payloads", Man: "gillkeeper-payloads", Section: 5, Title: "Payloads by example", Brief: "what sensors and plugs may say on the broker, by example",
		Body: []Block{Text("Each example shows what is in the configuration, what the device publishes, and what is read. `gillkeeper survey` finds out by listening which form a device uses.")}}
	for _, f := range Forms {
		table := "[[chamber.sensor]]"
		if f.Plug {
			table = "[[chamber.plug]]"
		}
		p.Body = append(p.Body, Heading(f.Title), Text(f.Says), Code{"toml", table + "\n" + f.Lines})
		var sent []string
		for _, m := range f.Sent {
			kept := ""
			if m.Retained {
				kept = "   (retained)"
			}
			sent = append(sent, m.Topic+"   "+m.Payload+kept)
		}
		p.Body = append(p.Body, Code{"text", strings.Join(sent, "\n")})
		read := "Read as " + f.Read + "."
		if f.Command != "" {
			read += " It is switched on with `" + f.Command + "`"
			if strings.Contains(f.Lines, "{seconds}") {
				read += ", here for 90 seconds"
			}
			read += "."
		}
		p.Body = append(p.Body, Text(read))
	}
	var terms Terms
	for _, r := range mqtt.Results() {
		terms = append(terms, Term{Code: r.String(), Lines: []string{results[r]}})
	}
	p.Body = append(p.Body, Heading("What becomes of a message"),
		Text("Each is counted in `gillkeeper_messages_total` by its result."), terms)
	return p
}

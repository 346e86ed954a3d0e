package survey

import (
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode"

	"gillkeeper/policy/chamber"
)

// Broker is what the configuration says of how to reach the broker. Files are as the configuration shall name them.
type Broker struct {
	URL, Username, PasswordFile, CAFile, CertFile, KeyFile string
}

// Config writes a configuration to start from: what was found with [Sure] or more stands in it, the rest as comments,
// each with how sure it is and why. It passes the configuration's check; what nobody can hear, such as a chamber's
// volume, is marked MEASURE.
func (f *Findings) Config(b *Broker) string {
	w := &writer{used: map[string]bool{}}
	w.line("# Written by gillkeeper survey. Read every line before you trust it: what is heard on a broker is a hint, no proof.")
	w.line("# Numbers marked MEASURE are made up and yours to put right. Lines that begin with # are findings too unsure to")
	w.line("# stand: remove the # of those that are right. Then:")
	w.line("#   gillkeeper check FILE")
	w.line("#   gillkeeper run --config FILE --observe    decides and shows, and switches nothing")
	w.line("")
	w.broker(b)
	rooms := f.rooms
	if len(rooms) == 0 {
		rooms = []*group{{name: "chamber-1"}}
	}
	for i, g := range rooms {
		w.chamber(g, f.roomSensors(), i == 0)
	}
	w.spare(f)
	return w.String()
}

// roomSensors are those of the room, which every chamber shares.
func (f *Findings) roomSensors() []*Sensor {
	var list []*Sensor
	for _, x := range f.spare.sensors {
		if x.Room {
			list = append(list, x)
		}
	}
	return list
}

type writer struct {
	strings.Builder
	used map[string]bool // names in the present chamber
}

func (w *writer) line(s string) { w.WriteString(strings.TrimRight(s, " ") + "\n") }

// pair writes a key, aligned by nothing, with a comment.
func (w *writer) pair(prefix, key string, value string, comment string) {
	if comment != "" {
		comment = "  # " + comment
	}
	w.line(prefix + key + " = " + value + comment)
}

// text writes a TOML string on one line, whatever a stranger put into it (TOML 1.0, "String"). What cannot be seen is escaped: the
// string means the same, and nobody reads another topic than the one that stands there.
func text(s string) string {
	return `"` + Visible(strings.NewReplacer(`"`, `\"`, `\`, `\\`).Replace(s)) + `"`
}

// Visible writes what cannot be seen in a text, or changes how the rest of it is shown, as escapes such as \u202E: controls, what turns
// the direction of writing, spaces of other kinds, characters without a width.
func Visible(s string) string {
	var b strings.Builder
	for _, r := range s {
		switch {
		case unicode.IsPrint(r) && !unicode.Is(unicode.Other_Default_Ignorable_Code_Point, r):
			b.WriteRune(r)
		case r > 0xffff:
			fmt.Fprintf(&b, `\U%08X`, r)
		default:
			fmt.Fprintf(&b, `\u%04X`, r)
		}
	}
	return b.String()
}

// remark keeps what a stranger sent on the comment's line.
func remark(s string) string {
	s = Visible(s)
	if len(s) > 200 {
		s = strings.ToValidUTF8(s[:200], "") + "…"
	}
	return s
}

func (w *writer) broker(b *Broker) {
	w.line("[broker]")
	w.pair("", "url", text(b.URL), "")
	for _, k := range []struct{ key, value string }{
		{"username", b.Username}, {"password_file", b.PasswordFile}, {"ca_file", b.CAFile}, {"cert_file", b.CertFile}, {"key_file", b.KeyFile},
	} {
		if k.value != "" {
			w.pair("", k.key, text(k.value), "")
		}
	}
	w.line("")
}

func (w *writer) chamber(g *group, shared []*Sensor, first bool) {
	clear(w.used)
	w.line("[[chamber]]")
	w.pair("", "name", text(g.name), "call it what you like")
	w.pair("", "volume_m3", "0.5", "MEASURE: length × width × height in meters")
	w.line("")
	has := map[chamber.Quantity]bool{}
	for _, x := range g.sensors {
		if w.sensor(x, x.Sure >= Sure, "") {
			has[x.Quantity] = true
		}
	}
	for _, x := range shared {
		// A value that is given to two chambers as the room's is right; one that is too unsure is said once.
		if x.Sure >= Sure || first {
			w.sensor(x, x.Sure >= Sure, `place = "room"`)
		}
	}
	for _, p := range g.plugs {
		w.plug(p, has)
	}
}

// sensor writes one sensor and reports whether it stands.
func (w *writer) sensor(x *Sensor, stands bool, extra string) bool {
	indent := "  "
	if !stands {
		indent = "  # "
	}
	w.line(fmt.Sprintf("  # %s, %s: %s", x.Measures, percent(x.Sure), remark(strings.Join(x.Because, ", "))))
	w.line(indent + "[[chamber.sensor]]")
	w.pair(indent, "name", text(w.name(x.Topic, x.Measures, 0)), "")
	w.pair(indent, "quantity", text(x.Quantity.String()), "")
	if extra != "" {
		w.line(indent + extra)
	}
	if x.Homie != "" {
		w.pair(indent, "homie", text(x.Homie), "")
	} else {
		w.place(indent, "", &x.Place)
		w.pair(indent, "unit", text(x.Unit.String()), "last heard: "+strconv.FormatFloat(x.Last, 'g', 6, 64))
	}
	if age := maxAge(x.Every); age != "" {
		w.pair(indent, "max_age", text(age), fmt.Sprintf("it speaks about every %s", time.Duration(x.Every)*time.Second))
	}
	w.line("")
	return stands
}

// place writes where a value is said. The prefix is that of a plug's keys.
func (w *writer) place(indent, prefix string, p *Place) {
	w.pair(indent, prefix+"topic", text(p.Topic), "")
	switch {
	case p.SenML != "":
		w.pair(indent, "senml_name", text(p.SenML), "")
	case p.JSON:
		w.pair(indent, prefix+"pointer", text(p.Pointer), "")
	}
}

// maxAge gives a sensor that speaks rarely more time than the default; "" keeps that.
func maxAge(every float64) string {
	d := time.Duration(3*every) * time.Second
	if d <= 5*time.Minute {
		return ""
	}
	return strings.TrimSuffix(min(d, 6*time.Hour).Round(time.Minute).String(), "0s")
}

// plug writes one plug. Where a stranger could be switched, or nothing could tell it to stop, it does not stand.
func (w *writer) plug(p *Plug, has map[chamber.Quantity]bool) {
	why := ""
	switch {
	case p.Role == 0:
		why = "nothing says what hangs on it: set role"
	case !p.Command.Heard:
		why = "nobody told it anything while the survey listened: command_topic is a guess"
	case p.Sure < Sure:
		why = "not sure enough"
	case p.Role == chamber.Humidifier && !has[chamber.RelativeHumidity]:
		why = "a humidifier needs a humidity sensor in its chamber"
	case (p.Role == chamber.Heater || p.Role == chamber.Cooler) && !has[chamber.Temperature]:
		why = "it needs a temperature sensor in its chamber"
	}
	indent, role := "  ", p.Role.String()
	if why != "" {
		indent = "  # "
	}
	if p.Role == 0 {
		role = chamber.ExhaustFan.String()
	}
	w.line(fmt.Sprintf("  # plug, %s: %s", percent(p.Sure), remark(strings.Join(p.Because, ", "))))
	if why != "" {
		w.line("  # " + why)
	}
	w.line(indent + "[[chamber.plug]]")
	w.pair(indent, "name", text(w.name(p.State.Topic, "", p.Role)), "")
	w.pair(indent, "role", text(role), "")
	if p.Homie != "" {
		w.pair(indent, "homie", text(p.Homie), "")
	} else {
		w.pair(indent, "command_topic", text(p.Command.Topic), "")
		w.pair(indent, "on_payload", text(p.Command.On), "")
		w.pair(indent, "off_payload", text(p.Command.Off), "")
		w.place(indent, "state_", &p.State)
		if p.On != p.Command.On || p.Off != p.Command.Off {
			w.pair(indent, "state_on", text(p.On), "")
			w.pair(indent, "state_off", text(p.Off), "")
		}
	}
	w.meter(indent, p.Power)
	w.rating(indent, p.Role)
	w.line("")
}

func (w *writer) meter(indent string, m *Place) {
	switch {
	case m == nil || m.SenML != "":
	case m.Homie != "":
		w.pair(indent, "homie_power", text(m.Homie), "")
	default:
		w.place(indent, "power_", m)
	}
}

// rating reminds of what is printed on the device.
func (w *writer) rating(indent string, r chamber.Role) {
	switch r {
	case chamber.Humidifier:
		w.line(indent + "# output_g_per_h = 300    MEASURE: what it mists in an hour; it is learned as it runs")
		w.line(indent + "# reservoir_liters = 4    MEASURE: what a full reservoir holds")
	case chamber.ExhaustFan, chamber.CirculationFan:
		w.line(indent + "# flow_m3_per_h = 60      MEASURE: what its label says; it is learned as it runs")
	}
}

// spare lists what belongs to no chamber in particular, and meters of unknown plugs.
func (w *writer) spare(f *Findings) {
	var lines []string
	for _, x := range f.spare.sensors {
		if !x.Room {
			lines = append(lines, fmt.Sprintf("# %s, %s: %s %s", x.Measures, percent(x.Sure), x.Topic, x.Pointer))
		}
	}
	for _, p := range f.spare.plugs {
		lines = append(lines, fmt.Sprintf("# plug, %s: %s %s, takes commands on %s", percent(p.Sure), p.State.Topic, p.State.Pointer, p.Command.Topic))
	}
	if len(lines) == 0 {
		return
	}
	w.line("# Found, but the topics do not tell of which chamber:")
	for _, l := range lines {
		w.line(remark(l))
	}
}

func percent(v float64) string { return fmt.Sprintf("%.0f %% sure", 100*v) }

// name makes a name of the last telling level of a topic, and what it measures; unique in the chamber.
func (w *writer) name(topic, measures string, role chamber.Role) string {
	if d := homieDevice(topic); d != "" {
		topic = d
	}
	l := strings.Split(topic, "/")
	base := ""
	for i := len(l) - 1; i >= 0 && base == ""; i-- {
		if s := slug(l[i]); !silent[s] {
			base = s
		}
	}
	if measures != "" && !strings.Contains(base, strings.ToLower(measures)) {
		base += "-" + strings.ToLower(measures)
	}
	base = strings.Trim(base, "-")
	if base == "" {
		base = "found"
	}
	for _, r := range chamber.Roles() {
		if base == r.String() && r != role {
			base += "-1" // a role's word is that role's
		}
	}
	name := base
	for i := 2; w.used[name]; i++ {
		name = base + "-" + strconv.Itoa(i)
	}
	w.used[name] = true
	return name
}

// silent are levels that say nothing of whose they are.
var silent = map[string]bool{"": true, "state": true, "status": true, "value": true, "on": true, "power": true, "set": true}

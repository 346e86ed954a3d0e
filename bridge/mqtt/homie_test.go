package mqtt

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"gillkeeper/bridge/config"
	"gillkeeper/policy/chamber"
)

// homieChamber has two sensors and a plug on Homie devices: one of version 5, a child of "gateway", and one of 4.
func homieChamber() *Bindings {
	five := func(node, property string) *config.HomieRef {
		return &config.HomieRef{Domain: "homie", Device: "air", Node: node, Property: property}
	}
	four := &config.HomieRef{Domain: "homie", Four: true, Device: "old", Node: "climate", Property: "temperature"}
	power := five("meter", "power")
	return Bind([]config.Chamber{{
		Spec: &chamber.Spec{Name: "loft",
			Sensors: []chamber.Sensor{{Name: "rh", Quantity: chamber.RelativeHumidity}, {Name: "t", Quantity: chamber.Temperature}},
			Plugs:   []chamber.Plug{{Name: "lamp", Role: chamber.Lamp}}},
		Sensors: []config.SensorBinding{
			{Topic: "homie/5/air/climate/humidity", Unit: config.Percent, Homie: five("climate", "humidity")},
			{Topic: four.Topic(), Unit: config.Celsius, Homie: four}},
		Plugs: []config.PlugBinding{{CommandTopic: "homie/5/air/switch/on/set", StateTopic: "homie/5/air/switch/on", StateOn: "true", StateOff: "false",
			Homie: five("switch", "on"), PowerTopic: power.Topic(), HomiePower: power}},
	}})
}

const homieDescription = `{"homie":"5.0","version":1,"root":"gateway","nodes":{
	"climate":{"properties":{"humidity":{"datatype":"float","unit":"%s"}}},
	"switch":{"properties":{"on":{"datatype":"boolean","settable":%v}}},
	"meter":{"properties":{"power":{"datatype":"float","unit":"kW"}}}}}`

// arriveHomie delivers messages, each "topic payload", as a session does.
func (r *record) arriveHomie(w *homieWatch, lines ...string) {
	for _, line := range lines {
		topic, payload, _ := strings.Cut(line, " ")
		m := message{topic: topic, payload: []byte(payload), wall: wall}
		known := w.take(&m, r, func(u *homieUse, cause, _ string) { r.refused = append(r.refused, u.who+": "+cause) })
		if route := w.b.routes[topic]; route != nil {
			known, m.unit = true, w.units[topic]
			for i := range route.targets {
				route.targets[i].deliver(&m, r, func(f refusal) { r.refused = append(r.refused, f.who+": "+f.fault.cause) })
			}
		}
		if !known {
			r.refused = append(r.refused, "unknown: "+topic)
		}
	}
}

// TestHomieUnits: the device's own word for its unit counts, and one that does not fit is refused.
func TestHomieUnits(t *testing.T) {
	w := newHomieWatch(homieChamber())
	var got record
	got.arriveHomie(&w, "homie/5/air/$description "+fmt.Sprintf(homieDescription, "%", true), "homie/5/air/climate/humidity 93.5",
		"homie/old/climate/temperature/$unit °F", "homie/old/climate/temperature 68", "homie/5/air/meter/power 0.03")
	if len(got.readings) != 2 || got.readings[0].Value != 0.935 || got.readings[1].Value != 20 {
		t.Errorf("readings %+v, want 0.935 and 20", got.readings)
	}
	if len(got.reports) != 1 || got.reports[0].Watts != 30 {
		t.Errorf("reports %+v, want 30 W", got.reports)
	}
	if len(got.refused) > 0 {
		t.Errorf("refused %q", got.refused)
	}
	got = record{}
	got.arriveHomie(&w, "homie/5/air/$description "+fmt.Sprintf(homieDescription, "°C", false), "homie/5/air/climate/humidity 20")
	want := []string{"lamp: its device says that it is no switch that can be set", "rh: a Homie unit that does not fit"}
	if len(got.readings) != 0 || strings.Join(got.refused, ";") != strings.Join(want, ";") {
		t.Errorf("readings %+v, refused %q; want none and %q", got.readings, got.refused, want)
	}
}

// TestHomieStates: "if the root device loses its connection, the last will sets its $state to lost, but it will not
// update the child-device states" ("Device hierarchy"); and in whatever order root and description come.
func TestHomieStates(t *testing.T) {
	description := "homie/5/air/$description " + fmt.Sprintf(homieDescription, "%", true)
	for _, tc := range []struct {
		name  string
		lines []string
		want  string // of the last word on each sensor
	}{
		{"nothing said", nil, "? ?"},
		{"ready", []string{"homie/5/air/$state ready"}, "alive ?"},
		{"version 4, alert", []string{"homie/old/$state alert"}, "? alive"},
		{"sleeping", []string{"homie/5/air/$state sleeping"}, "alive ?"},
		{"lost", []string{"homie/5/air/$state ready", "homie/5/air/$state lost"}, "gone ?"},
		{"removed", []string{"homie/5/air/$state ready", "homie/5/air/$state "}, "gone ?"},
		{"root lost, description first", []string{description, "homie/5/air/$state ready", "homie/5/gateway/$state lost"}, "gone ?"},
		{"root lost, description last", []string{"homie/5/gateway/$state lost", "homie/5/air/$state ready", description}, "gone ?"},
		{"root back", []string{description, "homie/5/air/$state ready", "homie/5/gateway/$state lost", "homie/5/gateway/$state ready"}, "alive ?"},
		{"root disconnected says nothing of its children", []string{description, "homie/5/air/$state ready", "homie/5/gateway/$state disconnected"}, "alive ?"},
		{"another device lost", []string{description, "homie/5/air/$state ready", "homie/5/stranger/$state lost"}, "alive ?"},
	} {
		w := newHomieWatch(homieChamber())
		var got record
		got.arriveHomie(&w, tc.lines...)
		state := []string{"?", "?"}
		for _, l := range got.liveness {
			state[l.Sensor] = map[bool]string{true: "alive", false: "gone"}[l.Alive]
		}
		if s := strings.Join(state, " "); s != tc.want || len(got.refused) > 0 {
			t.Errorf("%s: %s, refused %q; want %s", tc.name, s, got.refused, tc.want)
		}
	}
}

// TestABrokenDescriptionIsOneCause: a device that publishes nonsense of ever another kind does not fill the log.
func TestABrokenDescriptionIsOneCause(t *testing.T) {
	w := newHomieWatch(homieChamber())
	var once, often record
	once.arriveHomie(&w, "homie/5/air/$description {")
	often.arriveHomie(&w, "homie/5/air/$description {", "homie/5/air/$description [1", "homie/5/air/$description 7", `homie/5/air/$description {"a":1,"a":2}`)
	causes := func(r *record) []string { slices.Sort(r.refused); return slices.Compact(r.refused) }
	if got, want := causes(&often), causes(&once); len(want) == 0 || !slices.Equal(got, want) {
		t.Errorf("causes %q, want no more than %q", got, want)
	}
}

// TestHomieStrangers: a flood of devices costs bounded memory, and still the bound one is heard.
func TestHomieStrangers(t *testing.T) {
	w := newHomieWatch(homieChamber())
	var got record
	got.arriveHomie(&w, "homie/5/d1/$state "+strings.Repeat("y", 60<<10), "homie/5/"+strings.Repeat("z", 60<<10)+"/$state ready")
	for i := range 3 * mostStates {
		got.arriveHomie(&w, fmt.Sprintf("homie/5/d%d/$state ready", i))
	}
	got.arriveHomie(&w, "homie/5/air/$state lost", "homie/5/air/$description {", "homie/5/air/$description "+strings.Repeat("[", 70<<10))
	kept := 0
	for base, state := range w.states {
		kept += len(base) + len(state)
	}
	if kept > 100*mostStates {
		t.Errorf("%d bytes are kept of strangers", kept)
	}
	if len(w.states) > mostStates+2 || len(got.liveness) == 0 || got.liveness[0].Alive {
		t.Errorf("%d states, liveness %+v", len(w.states), got.liveness)
	}
}

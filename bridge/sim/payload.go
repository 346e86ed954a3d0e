package sim

import (
	"encoding/json"
	"math"
	"strconv"
	"strings"

	"gillkeeper/bridge/config"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/plant"
)

// letter is a message on its way out.
type letter struct {
	topic   string
	payload []byte
	qos     byte
	retain  bool
}

// page is one topic that the chamber's devices publish on, with what they last had to say there. Several values on one
// topic make one document.
type page struct {
	topic  string
	retain bool
	qos    byte
	values []value
	senml  bool
}

// value is one number or word on a page.
type value struct {
	of      source
	index   int
	at      []string // reference tokens of the pointer; nil: the payload is the value
	name    string   // of a SenML record
	unit    config.Unit
	on, off string              // words of a plug's state
	levels  *config.PlugBinding // of a plug that modulates: a number says its state

	known  bool
	number float64
	word   string
}

type source byte

const (
	ofSensor source = iota
	ofState
	ofPower
)

// pages sorts a chamber's bindings by topic. A topic that another chamber speaks on already, as of a sensor in the room
// that both stand in, is left to it.
func pages(c *config.Chamber, retainReadings bool, taken func(topic string) bool) []*page {
	var all []*page
	on := func(topic string) *page {
		for _, p := range all {
			if p.topic == topic {
				return p
			}
		}
		p := &page{topic: topic}
		all = append(all, p)
		return p
	}
	for i, b := range c.Sensors {
		if taken(b.Topic) {
			continue
		}
		p := on(b.Topic)
		p.retain = p.retain || retainReadings
		v := value{of: ofSensor, index: i, unit: b.Unit, name: b.SenMLName}
		p.senml = p.senml || b.SenMLName != ""
		if b.HasPointer {
			v.at = tokens(b.Pointer.String())
		}
		p.values = append(p.values, v)
	}
	for i, b := range c.Plugs {
		if b.StateTopic != "" {
			p := on(b.StateTopic)
			p.retain, p.qos = true, 1
			v := value{of: ofState, index: i, on: b.StateOn, off: b.StateOff}
			if b.LevelPayload != "" {
				v.levels = &c.Plugs[i]
			}
			if b.HasStatePointer {
				v.at = tokens(b.StatePointer.String())
			}
			p.values = append(p.values, v)
		}
		if b.PowerTopic != "" {
			p := on(b.PowerTopic)
			v := value{of: ofPower, index: i}
			if b.HasPowerPointer {
				v.at = tokens(b.PowerPointer.String())
			}
			p.values = append(p.values, v)
		}
	}
	return all
}

// tokens splits a checked JSON pointer (RFC 6901 section 4). The empty pointer gives an empty list that is not nil.
func tokens(pointer string) []string {
	list := []string{}
	if pointer == "" {
		return list
	}
	for _, t := range strings.Split(pointer[1:], "/") {
		list = append(list, strings.ReplaceAll(strings.ReplaceAll(t, "~1", "/"), "~0", "~"))
	}
	return list
}

// note takes in what was said and reports whether anything of it belongs on the page.
func (p *page) note(samples []plant.Sample, reports []plant.Report) (news bool) {
	for i := range p.values {
		v := &p.values[i]
		for _, s := range samples {
			if v.of == ofSensor && s.Sensor == v.index {
				v.number, v.known, news = inUnit(v.unit, s.Value), true, true
			}
		}
		for _, r := range reports {
			switch {
			case r.Outlet != v.index:
			case v.of == ofState && r.HasOn:
				v.word, v.known, news = v.off, true, true
				switch {
				case v.levels != nil && (r.On || v.off == ""):
					v.word = v.levels.Level(chamber.Order{On: r.On, Level: r.Level}.Output())
				case r.On:
					v.word = v.on
				}
			case v.of == ofPower && r.HasWatts:
				v.number, v.known, news = r.Watts, true, true
			}
		}
	}
	return news
}

// letter is the page as a message.
func (p *page) letter() letter {
	return letter{topic: p.topic, payload: p.payload(), qos: p.qos, retain: p.retain}
}

func (p *page) payload() []byte {
	if p.senml {
		return p.pack()
	}
	var doc any
	for i := range p.values {
		v := &p.values[i]
		switch {
		case !v.known:
		case v.at == nil:
			return []byte(v.text())
		default:
			doc = insert(doc, v.at, v.json())
		}
	}
	b, err := json.Marshal(doc)
	if err != nil { // not reached: the document is made of maps, numbers and words
		return nil
	}
	return b
}

// insert puts a value into a document of nested objects and gives the document.
func insert(doc any, at []string, what any) any {
	if len(at) == 0 {
		return what
	}
	object, ok := doc.(map[string]any)
	if !ok {
		object = map[string]any{}
	}
	object[at[0]] = insert(object[at[0]], at[1:], what)
	return object
}

func (v *value) text() string {
	if v.of == ofState {
		return v.word
	}
	return strconv.FormatFloat(v.number, 'f', -1, 64)
}

// json is the value in a document: a word that is JSON already, such as true or 1, stands for itself.
func (v *value) json() any {
	if v.of != ofState {
		return json.Number(v.text())
	}
	if json.Valid([]byte(v.word)) {
		return json.RawMessage(v.word)
	}
	return v.word
}

// record is a SenML record (RFC 8428 section 5).
type record struct {
	Name  string      `json:"n"`
	Unit  string      `json:"u,omitempty"`
	Value json.Number `json:"v"`
}

// pack is the page as a SenML pack, each record with its whole name and without a time, which means now: a fast clock
// is no one else's.
func (p *page) pack() []byte {
	var list []record
	for i := range p.values {
		if v := &p.values[i]; v.known && v.name != "" {
			unit, number := v.senmlUnit()
			list = append(list, record{Name: v.name, Unit: unit, Value: json.Number(strconv.FormatFloat(number, 'f', -1, 64))})
		}
	}
	b, err := json.Marshal(list)
	if err != nil { // not reached, as above
		return nil
	}
	return b
}

// senmlUnit is the value in a unit of the registry (RFC 8428 section 12.1), primary ones only.
func (v *value) senmlUnit() (unit string, number float64) {
	switch v.unit {
	case config.Percent:
		return "%RH", v.number
	case config.Ratio:
		return "/", v.number
	case config.Celsius:
		return "Cel", v.number
	case config.Kelvin:
		return "K", v.number
	case config.PPM:
		return "/", math.Round(v.number*1e3) / 1e9
	case config.Lux:
		return "lx", v.number
	}
	return "", v.number // degrees Fahrenheit have none
}

// inUnit gives a value of the program in the unit that a sensor reports in, to four decimals.
func inUnit(u config.Unit, v float64) float64 {
	switch u {
	case config.Percent:
		v *= 100
	case config.Fahrenheit:
		v = v*1.8 + 32
	case config.Kelvin:
		v += 273.15
	}
	return math.Round(v*1e4) / 1e4
}

package survey

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/homie"
	"gillkeeper/policy/chamber"
)

// How sure is sure enough.
const (
	// Sure is from when on a finding stands in the configuration; below it, it stands there as a comment.
	Sure = 0.8
	// mentioned is from when on it is mentioned at all.
	mentioned = 0.1
)

// Sensor is a measured value that was recognized. Power is a plug's, and in no chamber by itself.
type Sensor struct {
	Place
	Measures string           `json:"measures"`
	Quantity chamber.Quantity `json:"-"` // 0: power
	Unit     config.Unit      `json:"-"`
	UnitWord string           `json:"unit,omitempty"`
	Room     bool             `json:"room,omitempty"` // it seems to hang in the room, not in a chamber
	Sure     float64          `json:"sure"`           // 0..1
	Because  []string         `json:"because"`
	Last     float64          `json:"last"` // in its own unit
	Heard    int              `json:"heard"`
	Every    float64          `json:"every_s,omitempty"` // seconds between two values

	h      *hypothesis
	series *series
}

// Findings are what a survey recognized, the surest first.
type Findings struct {
	Sensors  []*Sensor `json:"sensors"`
	Powers   []*Sensor `json:"powers"` // of plugs or of others
	Plugs    []*Plug   `json:"plugs"`
	Chambers []string  `json:"chambers"` // as the topics suggest

	rooms []*group
	spare group // what belongs to no chamber in particular
}

// Find says what was recognized so far. It may be called again later.
func (s *Survey) Find() *Findings {
	s.mu.Lock()
	defer s.mu.Unlock()
	props := s.properties()
	all := s.judged(props)
	company(all)
	f := &Findings{Sensors: []*Sensor{}, Powers: []*Sensor{}, Plugs: []*Plug{}}
	for _, x := range all {
		if x.Sure = share(x.h.sure); x.Sure < mentioned {
			continue
		}
		x.Because = x.h.because
		if x.h.measure == power {
			f.Powers = append(f.Powers, x)
		} else {
			f.Sensors = append(f.Sensors, x)
		}
	}
	bySure := func(a, b *Sensor) int {
		return cmp.Or(cmp.Compare(b.Sure, a.Sure), cmp.Compare(a.Topic, b.Topic), cmp.Compare(a.Pointer, b.Pointer))
	}
	slices.SortFunc(f.Sensors, bySure)
	slices.SortFunc(f.Powers, bySure)
	f.Plugs = append(f.Plugs, s.plugs(props, f.Powers)...)
	f.group()
	return f
}

// sorted lists the series in an order that does not depend on a map.
func (s *Survey) sorted() []*series {
	list := make([]*series, 0, len(s.series))
	for _, x := range s.series {
		list = append(list, x)
	}
	slices.SortFunc(list, func(a, b *series) int {
		return cmp.Or(cmp.Compare(a.topic, b.topic), cmp.Compare(a.form, b.form), cmp.Compare(a.pointer, b.pointer), cmp.Compare(a.name, b.name))
	})
	return list
}

// judged weighs every series of numbers that is nobody's command.
func (s *Survey) judged(props map[string]property) []*Sensor {
	var all []*Sensor
	for _, x := range s.sorted() {
		if s.ourOwn(x.topic) || isCommand(x.topic) {
			continue
		}
		p, described := props[x.topic]
		if described && (p.Settable || p.Datatype != homie.Number && p.Datatype != homie.Integer) {
			continue // a set point, or no number
		}
		if described && p.Unit != "" {
			x.unit = p.Unit
		}
		words := append(slices.Clone(p.names), x.hints()...)
		h := x.judge(words)
		if h == nil {
			continue
		}
		v := &Sensor{Place: Place{Topic: x.topic, Pointer: x.pointer, JSON: x.form == inJSON, SenML: x.name}, Measures: h.measure.String(),
			Last: x.last, Heard: x.n, Every: x.every().Round(time.Second).Seconds(), h: h, series: x}
		if h.measure != power {
			v.Quantity, v.Unit, v.UnitWord = quantities[h.measure], h.unit, h.unit.String()
		}
		if described {
			v.Homie = p.path
			h.add(byConvention, "a Homie property")
		}
		if w, _ := found(rooms, words); w > 0 {
			v.Room = true
		}
		all = append(all, v)
	}
	return all
}

// company makes values surer whose device measures other air too.
func company(all []*Sensor) {
	firm := map[string]map[measure]bool{}
	for _, v := range all {
		if d := v.series.device(); v.h.measure != power && share(v.h.sure) > 0.6 {
			if firm[d] == nil {
				firm[d] = map[measure]bool{}
			}
			firm[d][v.h.measure] = true
		}
	}
	for _, v := range all {
		for m := range firm[v.series.device()] {
			if m != v.h.measure && v.h.measure != power && v.h.sure > prior {
				v.h.add(byCompany, "its device measures %s too", m)
				break
			}
		}
	}
}

// group is what seems to belong to one chamber.
type group struct {
	name    string
	sensors []*Sensor
	plugs   []*Plug
}

// group sorts what was found into chambers: a word in the topics that some humidity sensors and plugs share and others
// do not is taken for a chamber's name. Where no such word is, there is one chamber.
func (f *Findings) group() {
	var members []member
	for _, x := range f.Sensors {
		if !x.Room {
			members = append(members, member{sensor: x, words: levels(x.Topic), humid: x.Quantity == chamber.RelativeHumidity && x.Sure >= Sure})
		}
	}
	for _, p := range f.Plugs {
		odd, _ := strange(p.words)
		members = append(members, member{plug: p, words: levels(p.State.Topic), odd: odd > 0})
	}
	names := chambers(members)
	if len(names) == 0 {
		names = []string{""}
	}
	f.Chambers = []string{}
	for _, n := range names {
		g := &group{name: n}
		if n == "" {
			g.name = "chamber-1"
		}
		f.rooms, f.Chambers = append(f.rooms, g), append(f.Chambers, g.name)
	}
	for _, m := range members {
		g := &f.spare
		for i, n := range names {
			if n == "" || slices.Contains(m.words, n) {
				g = f.rooms[i]
				break
			}
		}
		if m.sensor != nil {
			g.sensors = append(g.sensors, m.sensor)
		} else {
			g.plugs = append(g.plugs, m.plug)
		}
	}
	for _, x := range f.Sensors {
		if x.Room {
			f.spare.sensors = append(f.spare.sensors, x)
		}
	}
}

// member is a finding with the words of its topic.
type member struct {
	sensor *Sensor
	plug   *Plug
	words  []string
	humid  bool // a sure humidity sensor
	odd    bool // a plug that seems to be none of a chamber's, such as a coffee maker's
}

// levels gives the levels of a topic that could be a chamber's name, and the parts between their hyphens.
func levels(topic string) []string {
	if d := homieDevice(topic); d != "" { // what the convention puts before and after it is no name
		topic = d[strings.LastIndexByte(d, '/')+1:]
	}
	var list []string
	for _, l := range strings.Split(topic, "/") {
		for _, w := range append([]string{l}, strings.FieldsFunc(l, func(r rune) bool { return r == '-' || r == '_' })...) {
			if w = slug(w); w != "" && !slices.Contains(list, w) {
				list = append(list, w)
			}
		}
	}
	return list
}

// chambers finds words that part the findings: each has a humidity sensor and a plug, and none has them all. Of a house
// and its rooms the rooms are meant. A single word counts when it is one of a place where something grows: the rest is the house's.
func chambers(members []member) []string {
	type tally struct {
		word               string
		humid, plugs, size int
	}
	tallies := map[string]*tally{}
	humid, plugs := 0, 0
	for _, m := range members {
		for _, w := range m.words {
			t := tallies[w]
			if t == nil {
				t = &tally{word: w}
				tallies[w] = t
			}
			t.size++
			if m.humid {
				t.humid++
			}
			if m.plug != nil && !m.odd {
				t.plugs++
			}
		}
		if m.humid {
			humid++
		}
		if m.plug != nil {
			plugs++
		}
	}
	var list []*tally
	for _, t := range tallies {
		if t.humid > 0 && t.plugs > 0 && t.humid < humid && t.plugs < plugs {
			list = append(list, t)
		}
	}
	slices.SortFunc(list, func(a, b *tally) int {
		growsA, _ := found(growing, []string{a.word})
		growsB, _ := found(growing, []string{b.word})
		return cmp.Or(cmp.Compare(growsB, growsA), cmp.Compare(a.size, b.size), cmp.Compare(a.word, b.word))
	})
	var names []string
	for _, t := range list {
		apart := !slices.ContainsFunc(members, func(m member) bool {
			return slices.Contains(m.words, t.word) && slices.ContainsFunc(names, func(n string) bool { return slices.Contains(m.words, n) })
		})
		if apart {
			names = append(names, t.word)
		}
	}
	if grows, _ := found(growing, names); len(names) < 2 && grows == 0 {
		return nil // one word parts nothing, unless it says that there, and not elsewhere, something grows
	}
	slices.Sort(names)
	return names
}

// slug makes a word fit for a name in the configuration; "" when nothing of it is left.
func slug(s string) string {
	s = strings.Trim(homie.ID(s), "-")
	for strings.Contains(s, "--") {
		s = strings.ReplaceAll(s, "--", "-")
	}
	if len(s) > 40 {
		s = strings.Trim(s[:40], "-")
	}
	return s
}

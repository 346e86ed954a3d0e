package survey

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	"gillkeeper/bridge/homie"
	"gillkeeper/policy/chamber"
)

// Weights of evidence for a switched plug, in log-odds as in judge.go.
const (
	plugPrior     = -3.5
	byOnOff       = 1.0 // it says on and off, and nothing else
	byPlugWord    = 2.5
	byRoleWord    = 3.0
	byCommand     = 4.0 // a topic beside it was heard on which it is told
	byAnswer      = 1.5 // and it did what it was told
	byMeter       = 1.5
	byMeterAgrees = 2.0
	bySettable    = 5.5
	byNotSettable = -6.0
	byStrangeHint = -6.0
)

// answerWithin is how soon a plug says that it did what it was told.
const answerWithin = 10 * time.Second

// Plug is a switched outlet that was recognized.
type Plug struct {
	Role    chamber.Role `json:"role,omitempty"` // 0: nothing says what hangs on it
	Homie   string       `json:"homie,omitempty"`
	State   Place        `json:"state"`
	On      string       `json:"on"`  // its words
	Off     string       `json:"off"` //
	Command Command      `json:"command"`
	Power   *Place       `json:"power,omitempty"`
	Sure    float64      `json:"sure"` // 0..1
	Because []string     `json:"because"`

	odds   float64
	series *series
	words  []string
}

// Place is where in what is said a value is found.
type Place struct {
	Topic   string `json:"topic"`
	Pointer string `json:"pointer,omitempty"`
	JSON    bool   `json:"json,omitempty"` // the payload is a document; the empty pointer is the whole of it
	SenML   string `json:"senml_name,omitempty"`
	Homie   string `json:"homie,omitempty"`
}

// Command is how a plug is told.
type Command struct {
	Topic string `json:"topic"`
	On    string `json:"on"`
	Off   string `json:"off"`
	Heard bool   `json:"heard"` // somebody told it so, or it describes itself so; else it is a guess
}

// onOff are words of switches, each pair in lower case.
var onOff = [][2]string{{"on", "off"}, {"true", "false"}, {"1", "0"}, {"running", "stopped"}, {"running", "idle"}}

// switchWords gives the words for on and off, as they are written, when a series has no others. Of a word that was not
// heard its partner is written alike.
func (x *series) switchWords() (on, off string, ok bool) {
	if len(x.words) == 0 || x.others > 0 || x.n > 0 && (x.min < 0 || x.max > 1 || !x.whole) {
		return "", "", false
	}
	for _, pair := range onOff {
		on, off, fits := "", "", true
		for _, w := range x.words {
			switch strings.ToLower(w) {
			case pair[0]:
				on = w
			case pair[1]:
				off = w
			case "unknown", "unavailable":
			default:
				fits = false
			}
		}
		if !fits || on == "" && off == "" {
			continue
		}
		if on == "" {
			on = alike(off, pair[0])
		}
		if off == "" {
			off = alike(on, pair[1])
		}
		return on, off, true
	}
	return "", "", false
}

// alike writes a word in the case of another.
func alike(model, word string) string {
	switch {
	case model == strings.ToUpper(model):
		return strings.ToUpper(word)
	case model != "" && model[:1] == strings.ToUpper(model[:1]):
		return strings.ToUpper(word[:1]) + word[1:]
	}
	return word
}

// plugs recognizes plugs among the series of words.
func (s *Survey) plugs(props map[string]property, powers []*Sensor) []*Plug {
	var list []*Plug
	for _, x := range s.sorted() {
		if s.ourOwn(x.topic) || isCommand(x.topic) || x.form == inSenML {
			continue
		}
		on, off, ok := x.switchWords()
		if !ok {
			continue
		}
		p := &Plug{State: Place{Topic: x.topic, Pointer: x.pointer, JSON: x.form == inJSON}, On: on, Off: off, odds: plugPrior, series: x, words: x.nouns()}
		p.add(byOnOff, "it says "+quoted(on)+" and "+quoted(off))
		if d, described := props[x.topic]; described {
			p.described(&d)
		} else {
			s.command(p)
		}
		p.byWords()
		p.meter(powers)
		p.Sure = share(p.odds)
		if p.Sure >= mentioned {
			list = append(list, p)
		}
	}
	return strongest(list)
}

// nouns are the words of where it is said. A member named "state" says nothing of what it is the state of.
func (x *series) nouns() []string {
	return slices.DeleteFunc(x.hints(), func(w string) bool { return w == "state" || w == "status" })
}

func (p *Plug) add(weight float64, because string) {
	p.odds += weight
	if because != "" {
		p.Because = append(p.Because, because)
	}
}

// described takes a Homie device's word.
func (p *Plug) described(d *property) {
	if d.Datatype != homie.Boolean || !d.Settable {
		p.add(byNotSettable, "but its description says that it cannot be set")
		return
	}
	p.add(bySettable, "its description says that it can be set")
	p.words = append(slices.Clone(d.names), p.words...)
	p.Homie, p.Command = d.path, Command{Topic: p.State.Topic + "/set", On: homie.Bool(true), Off: homie.Bool(false), Heard: true}
}

func (p *Plug) byWords() {
	role, word := roleOf(p.words)
	if role != 0 {
		p.Role = role
		p.add(byRoleWord, "the word "+quoted(word))
	}
	if w, word := found(plugWords, p.words); w > 0 {
		p.add(byPlugWord*w, "the word "+quoted(word))
	}
	if w, word := strange(p.words); w > 0 {
		p.add(byStrangeHint*w, "but the word "+quoted(word))
	}
}

// isCommand reports whether a topic ends like one that takes commands.
func isCommand(topic string) bool {
	return slices.Contains(commandWords, strings.ToLower(topic[strings.LastIndexByte(topic, '/')+1:]))
}

// command looks for the topic on which a plug is told: one below its state or beside it that ends like a command's, and
// on which its words were heard.
func (s *Survey) command(p *Plug) {
	parent := p.State.Topic[:strings.LastIndexByte(p.State.Topic, '/')+1]
	var names []string
	for _, w := range commandWords {
		names = append(names, p.State.Topic+"/"+w, parent+w)
	}
	for _, t := range names {
		raw := s.raw[t]
		if raw == nil {
			continue
		}
		if on, off, ok := saying(raw.texts, p.On, p.Off); ok {
			p.Command = Command{Topic: t, On: on, Off: off, Heard: true}
			p.add(byCommand, "it takes commands on "+t)
			if s.answers(t, p) {
				p.add(byAnswer, "and does so within seconds")
			}
			return
		}
	}
	// Nobody told it anything meanwhile: common practice is a topic beside or below its state.
	guess := p.State.Topic + "/set"
	if last := p.State.Topic[len(parent):]; parent != "" && (last == "state" || last == "status") {
		guess = parent + "set"
	}
	p.Command = Command{Topic: guess, On: p.On, Off: p.Off}
}

// saying finds the payloads that say on and off among what was heard on a topic; of one that was not heard it makes the
// other's counterpart.
func saying(texts []string, onWord, offWord string) (on, off string, ok bool) {
	for _, t := range texts {
		hasOn, hasOff := holds(t, onWord), holds(t, offWord)
		switch {
		case hasOn && !hasOff:
			on = t
		case hasOff && !hasOn:
			off = t
		}
	}
	switch {
	case on == "" && off == "":
		return "", "", false
	case on == "":
		on = strings.Replace(off, offWord, onWord, 1)
	case off == "":
		off = strings.Replace(on, onWord, offWord, 1)
	}
	return on, off, on != off
}

// holds reports whether a payload has a word once, with nothing of a word around it.
func holds(text, word string) bool {
	n := 0
	for _, t := range strings.FieldsFunc(text, func(r rune) bool { return !strings.ContainsRune("_-", r) && !isWordRune(r) }) {
		if t == word {
			n++
		}
	}
	return n == 1
}

func isWordRune(r rune) bool {
	return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9'
}

// answers reports whether the plug said what it was told, soon after it was told, at least once and never the opposite.
func (s *Survey) answers(topic string, p *Plug) bool {
	var told []sample
	for _, x := range s.series {
		if x.topic == topic && len(x.words) > 0 {
			told = append(told, x.samples...)
		}
	}
	slices.SortFunc(told, func(a, b sample) int { return a.at.Compare(b.at) })
	agreed := 0
	for _, c := range told {
		for _, a := range p.series.samples {
			if d := a.at.Sub(c.at); d < 0 || d > answerWithin || a.word == "" || a.retained {
				continue
			}
			if !strings.EqualFold(a.word, c.word) {
				return false
			}
			agreed++
			break
		}
	}
	return agreed > 0
}

// meter looks for the power of the same device, and whether it goes with the state.
func (p *Plug) meter(powers []*Sensor) {
	var best *Sensor
	for _, w := range powers {
		if w.series.device() == p.series.device() || homieDevice(w.series.topic) != "" && homieDevice(w.series.topic) == homieDevice(p.State.Topic) ||
			strings.HasPrefix(w.series.topic, p.State.Topic+"/") {
			if best == nil || w.Sure > best.Sure {
				best = w
			}
		}
	}
	if best == nil {
		return
	}
	p.Power = &best.Place
	p.add(byMeter, "it has a meter")
	if on, off, ok := split(p.series, best.series, p.On, p.Off); ok && on > off+1 {
		p.add(byMeterAgrees, "which goes with its state")
	}
}

// split gives the mean power while the plug says on, and off.
func split(state, watts *series, onWord, offWord string) (on, off float64, ok bool) {
	var sum, n [2]float64
	for _, w := range watts.samples {
		if math.IsNaN(w.v) || w.retained {
			continue
		}
		word := ""
		for _, s := range state.samples {
			if s.word != "" && !s.at.After(w.at) {
				word = s.word
			}
		}
		switch word {
		case onWord:
			sum[0], n[0] = sum[0]+w.v, n[0]+1
		case offWord:
			sum[1], n[1] = sum[1]+w.v, n[1]+1
		}
	}
	if n[0] == 0 || n[1] == 0 {
		return 0, 0, false
	}
	return sum[0] / n[0], sum[1] / n[1], true
}

// homieDevice gives the device of a property's topic, of either version; "": it is none.
func homieDevice(topic string) string {
	l := strings.Split(topic, "/")
	switch {
	case len(l) == 5 && l[1] == "5":
		return strings.Join(l[:3], "/")
	case len(l) == 4 && l[0] == homie.DefaultDomain:
		return strings.Join(l[:2], "/")
	}
	return ""
}

// strongest keeps, of plugs that are told on one topic, the likeliest.
func strongest(list []*Plug) []*Plug {
	slices.SortStableFunc(list, func(a, b *Plug) int { return cmp.Compare(b.Sure, a.Sure) })
	told := map[string]bool{}
	return slices.DeleteFunc(list, func(p *Plug) bool {
		if told[p.Command.Topic] {
			return true
		}
		told[p.Command.Topic] = true
		return false
	})
}

func quoted(s string) string { return `"` + s + `"` }

// Running tells what a plug said last, and whether it said anything.
func (s *Survey) Running(p *Plug) (on, known bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	k := key{topic: p.State.Topic, pointer: p.State.Pointer}
	if p.State.JSON {
		k.form = inJSON
	}
	x := s.series[k]
	if x == nil {
		return false, false
	}
	for _, m := range slices.Backward(x.samples) {
		if m.word == p.On || m.word == p.Off {
			return m.word == p.On, true
		}
	}
	return false, false
}

// Confirm takes a person's word for what hangs on a plug that was tried and obeyed. A role of 0 keeps what was guessed.
func (p *Plug) Confirm(role chamber.Role) {
	if role != 0 {
		p.Role = role
	}
	p.Command.Heard, p.Sure = true, 1
	p.Because = append(p.Because, "it was tried and obeyed")
}

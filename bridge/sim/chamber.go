package sim

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"

	"gillkeeper/bridge/config"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/rehearse"
)

// simulated is one chamber as it runs. The house's lock guards it.
type simulated struct {
	index   int
	config  config.Chamber
	rig     *plant.Rig
	tally   rehearse.Tally
	names   []string
	elapsed time.Duration
	refill  time.Duration

	topics []*page
	noise  plant.Noise // of the messages' fate
	late   []delayed
	told   []order // commands that are late
}

// delayed is a message that has not left yet.
type delayed struct {
	due  time.Duration
	what letter
}

// order is a command that has not arrived yet.
type order struct {
	due  time.Duration
	plug int
	what chamber.Order
}

func newSimulated(index int, c *Chamber, retainReadings bool, taken func(topic string) bool) (*simulated, error) {
	spec, k := c.Config.Spec, c.Case
	if spec == nil || k == nil || len(c.Config.Sensors) != len(k.Sensors) || len(c.Config.Plugs) != len(k.Outlets) ||
		len(spec.Sensors) != len(k.Sensors) || len(spec.Plugs) != len(k.Outlets) {
		return nil, fmt.Errorf("simulated house: chamber %d: configuration and case need the same sensors and plugs", index)
	}
	if err := k.Params.Validate(); err != nil {
		return nil, fmt.Errorf("simulated house: chamber %s: %w", spec.Name, err)
	}
	s := &simulated{index: index, config: c.Config, rig: plant.NewRig(k.Params, k.Weather, k.Sensors, k.Outlets, k.Seed),
		tally: rehearse.NewTally(k.Target, k.Settle, len(k.Outlets)), noise: plant.Noise{State: k.Seed ^ 0xbb67ae8584caa73b}, refill: k.RefillEvery}
	for i := range k.Faults {
		if err := k.Faults[i].Check(len(k.Sensors), len(k.Outlets)); err != nil {
			return nil, fmt.Errorf("simulated house: chamber %s: %w", spec.Name, err)
		}
	}
	s.rig.Faults = append(s.rig.Faults, k.Faults...)
	for i := range spec.Plugs {
		s.names = append(s.names, spec.Plugs[i].Name)
	}
	s.topics = pages(&s.config, retainReadings, taken)
	return s, nil
}

// command takes an order, which the network may lose or delay.
func (s *simulated) command(plug int, o chamber.Order) {
	fate := s.fate()
	if fate.down || s.chance(fate.lost) {
		return
	}
	if fate.late > 0 {
		s.told = append(s.told, order{s.elapsed + fate.late, plug, o})
		return
	}
	s.rig.Command(plug, o)
}

// advance lets one step pass and adds what leaves to out. Without a connection nothing leaves and nothing is kept.
func (s *simulated) advance(open bool, out []letter) []letter {
	left := s.told[:0]
	for _, o := range s.told {
		if o.due <= s.elapsed {
			s.rig.Command(o.plug, o.what)
		} else {
			left = append(left, o)
		}
	}
	s.told = left

	samples, reports := s.rig.Advance(step.Seconds())
	s.elapsed += step
	s.tally.Add(s.elapsed, step, s.rig, s.rig.State.Truth(&s.rig.Params))
	if s.refill > 0 && s.elapsed%s.refill == 0 {
		s.rig.Refill()
	}
	fate := s.fate()
	for _, p := range s.topics {
		if !p.note(samples, reports) || !open || fate.down || s.chance(fate.lost) {
			continue
		}
		m := p.letter()
		s.late = append(s.late, delayed{s.elapsed + s.delay(fate), m})
		if s.chance(fate.doubled) {
			s.late = append(s.late, delayed{s.elapsed + s.delay(fate), m})
		}
	}
	return s.post(open, out)
}

// post sends what is due.
func (s *simulated) post(open bool, out []letter) []letter {
	left := s.late[:0]
	for _, d := range s.late {
		switch {
		case d.due > s.elapsed:
			left = append(left, d)
		case open:
			out = append(out, d.what)
		}
	}
	s.late = left
	return out
}

// fate is what happens to messages now.
type fate struct {
	down          bool
	lost, doubled float64
	late, mixed   time.Duration
}

func (s *simulated) fate() (f fate) {
	for i := range s.rig.Faults {
		x := &s.rig.Faults[i]
		if !x.Active(s.rig.Seconds()) {
			continue
		}
		switch x.Kind {
		case plant.LinkDown:
			f.down = true
		case plant.MessagesLost:
			f.lost = x.Amount
		case plant.MessagesDoubled:
			f.doubled = x.Amount
		case plant.MessagesLate:
			f.late = time.Duration(x.Amount * float64(time.Second))
		case plant.MessagesMixed:
			f.mixed = time.Duration(x.Amount * float64(time.Second))
		}
	}
	return f
}

// delay is how long the next message is under way. Commands are not mixed: a broker keeps the order of one topic.
func (s *simulated) delay(f fate) time.Duration {
	if f.mixed > 0 {
		return f.late + time.Duration(s.noise.Uniform(0, f.mixed.Seconds())*float64(time.Second))
	}
	return f.late
}

func (s *simulated) chance(share float64) bool { return share > 0 && s.noise.Uniform(0, 1) < share }

// parseCommand reads a command as a plug would: one of its two words, its timed payload, or a level.
func parseCommand(p *config.PlugBinding, payload string) (o chamber.Order, ok bool) {
	switch {
	case payload == p.OffPayload && p.OffPayload != "":
		return o, true
	case p.LevelPayload != "":
		return parseLevel(p, payload)
	case payload == p.OnPayload:
		return chamber.Order{On: true}, true
	}
	before, after, timed := strings.Cut(p.TimedOnPayload, "{seconds}")
	if !timed || len(payload) < len(before)+len(after) || !strings.HasPrefix(payload, before) || !strings.HasSuffix(payload, after) {
		return o, false
	}
	n, err := strconv.Atoi(payload[len(before) : len(payload)-len(after)])
	if err != nil || n <= 0 {
		return o, false
	}
	return chamber.Order{On: true, For: time.Duration(n) * time.Second}, true
}

// parseLevel reads the number, and the seconds where the payload has them.
func parseLevel(p *config.PlugBinding, payload string) (o chamber.Order, ok bool) {
	pattern := regexp.QuoteMeta(p.LevelPayload)
	pattern = strings.Replace(pattern, regexp.QuoteMeta("{level}"), `(?P<level>[0-9.]+)`, 1)
	pattern = strings.Replace(pattern, regexp.QuoteMeta("{seconds}"), `(?P<seconds>[0-9]+)`, 1)
	re, err := regexp.Compile("^" + pattern + "$")
	if err != nil {
		return o, false
	}
	m := re.FindStringSubmatch(payload)
	if m == nil {
		return o, false
	}
	level, err := strconv.ParseFloat(m[re.SubexpIndex("level")], 64)
	if err != nil || level < 0 || level > p.LevelFull {
		return o, false
	}
	o = chamber.Order{On: level > 0, Level: level / p.LevelFull}
	if i := re.SubexpIndex("seconds"); i >= 0 {
		n, err := strconv.Atoi(m[i])
		if err != nil {
			return chamber.Order{}, false
		}
		o.For = time.Duration(n) * time.Second
	}
	return o, true
}

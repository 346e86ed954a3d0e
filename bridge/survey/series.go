package survey

import (
	"math"
	"strconv"
	"strings"
	"time"
)

// The bounds of one series.
const (
	maxWord    = 40  // bytes of a word
	maxWords   = 4   // different words; a switch has two, and perhaps "unknown"
	maxSamples = 128 // moments that are kept
	maxRaw     = 6   // different payloads of one topic that are kept
	rawLength  = 256 // bytes of such a payload
)

// series is one value over time.
type series struct {
	key
	unit string // as declared beside it, or by SenML

	// Numbers.
	n           int
	live        int // of those, not retained
	min, max    float64
	last        float64
	steps       float64 // sum of what it changed by
	rises       int
	falls       int
	whole       bool // never a fraction
	first, late time.Time

	// Words.
	words  []string
	counts []int
	others int // words beyond maxWords
	kind   byte

	samples []sample // the newest
}

// sample is one moment.
type sample struct {
	at       time.Time
	v        float64
	word     string
	retained bool
}

func (x *series) number(m *Message, v float64) {
	if x.n == 0 {
		x.min, x.max, x.first = v, v, m.At
	} else {
		x.steps += math.Abs(v - x.last)
		switch {
		case v > x.last:
			x.rises++
		case v < x.last:
			x.falls++
		}
	}
	x.n++
	x.min, x.max, x.last, x.late = min(x.min, v), max(x.max, v), v, m.At
	x.whole = x.whole && v == math.Trunc(v)
	if !m.Retained {
		x.live++
	}
	x.keep(sample{at: m.At, v: v, retained: m.Retained})
}

func (x *series) word(m *Message, w string, kind byte) {
	x.kind = kind
	for i := range x.words {
		if x.words[i] == w {
			x.counts[i]++
			x.keepWord(m, w)
			return
		}
	}
	if len(x.words) == maxWords {
		x.others++
		return
	}
	x.words, x.counts = append(x.words, w), append(x.counts, 1)
	x.keepWord(m, w)
}

// keepWord keeps a word at its moment; of a number that is a word too there is one sample already.
func (x *series) keepWord(m *Message, w string) {
	if n := len(x.samples); n > 0 && x.samples[n-1].at.Equal(m.At) && x.samples[n-1].word == "" {
		x.samples[n-1].word = w
		return
	}
	x.keep(sample{at: m.At, word: w, v: math.NaN(), retained: m.Retained})
}

func (x *series) keep(s sample) {
	if len(x.samples) == maxSamples {
		copy(x.samples, x.samples[1:])
		x.samples = x.samples[:maxSamples-1]
	}
	x.samples = append(x.samples, s)
}

// every is the usual time between two values; 0: not known.
func (x *series) every() time.Duration {
	if x.live < 2 || x.n < 2 {
		return 0
	}
	return x.late.Sub(x.first) / time.Duration(x.n-1)
}

// meanStep is by how much the value changes from one time to the next.
func (x *series) meanStep() float64 {
	if x.n < 2 {
		return 0
	}
	return x.steps / float64(x.n-1)
}

// number reads a decimal number; NaN, infinities and other notations are none.
func number(s string) (float64, bool) {
	if s == "" || len(s) > 32 || strings.Trim(s, "0123456789.+-eE") != "" {
		return 0, false
	}
	v, err := strconv.ParseFloat(s, 64)
	return v, err == nil
}

// payloads are what was said on a topic, word by word.
type payloads struct {
	texts []string
	more  bool
}

func (s *Survey) keepRaw(m *Message) {
	if len(m.Payload) > rawLength {
		return
	}
	p := s.raw[m.Topic]
	if p == nil {
		if len(s.raw) >= maxTopics {
			return
		}
		p = &payloads{}
		s.raw[m.Topic] = p
	}
	for _, t := range p.texts {
		if t == string(m.Payload) {
			return
		}
	}
	if len(p.texts) == maxRaw {
		p.more = true
		return
	}
	p.texts = append(p.texts, string(m.Payload))
}

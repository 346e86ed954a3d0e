package yield

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"gillkeeper/policy/species"
)

// minus is the sign that is as wide as a digit.
const minus = "−"

func fixed(v float64, digits int) string {
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	whole, rest, _ := strings.Cut(s, ".")
	sign := ""
	if strings.HasPrefix(whole, "-") {
		sign, whole = minus, whole[1:]
	}
	for i := len(whole) - 3; i > 0; i -= 3 {
		whole = whole[:i] + "," + whole[i:]
	}
	if rest != "" {
		whole += "." + rest
	}
	return sign + whole
}

// shown writes a figure, or a dash where there is none.
func (v Value) shown(scale float64, digits int, unit string) string {
	if !v.OK() {
		return "–"
	}
	return fixed(float64(v)*scale, digits) + unit
}

func percent(v float64) string { return fixed(100*v, 0) + " %" }

// binomial writes a species as people do.
func binomial(name string) string {
	s := strings.ReplaceAll(name, "-", " ")
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// called is what growers call a species, to stand at the beginning of a sentence.
func (s *Season) called(name string) string {
	c, ok := s.crop(name)
	if !ok || c.Common == "" {
		return binomial(name)
	}
	return strings.ToUpper(c.Common[:1]) + c.Common[1:]
}

func during(s species.Stage) string {
	if s == species.Pinning {
		return "while pins formed"
	}
	return "while fruit grew"
}

// chance says a p-value in words.
func chance(p float64) string {
	if p >= 0.5 {
		return "chance gives as much more often than not"
	}
	return fmt.Sprintf("chance alone gives as much about one time in %s", fixed(math.Round(1/p), 0))
}

// rank writes a correlation with its interval.
func (r *Relation) rank() string {
	s := "r = " + fixed(r.R, 2)
	if r.Low.OK() {
		s += fmt.Sprintf(", 95 %% interval %s to %s", fixed(float64(r.Low), 2), fixed(float64(r.High), 2))
	}
	return s
}

// headline says in one line what goes with what.
func (r *Relation) headline() string {
	size := "larger"
	if r.R < 0 {
		size = "smaller"
	}
	return fmt.Sprintf("%s %s, the %s the flush", measureOf(r.Measure).More, during(r.Stage), size)
}

// sentence says a relation in words, with its numbers.
func (r *Relation) sentence(s *Season) string {
	out := fmt.Sprintf("%s: %s%s (%s; %s; q = %s).", s.called(r.Species), lower(r.headline()), r.extent(), r.rank(), chance(r.P), probability(r.Q))
	return out
}

// extent says how much it makes.
func (r *Relation) extent() string {
	if !r.Least.OK() {
		return ""
	}
	return fmt.Sprintf(": %s of the usual in the third of flushes with the least of it, %s in the third with the most",
		percent(float64(r.Least)), percent(float64(r.Most)))
}

func lower(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

func probability(p float64) string {
	switch {
	case p < 0.0001:
		return "below 0.0001"
	case p < 0.01:
		return fixed(p, 4)
	}
	return fixed(p, 2)
}

// findings says what can be said, and where nothing can.
func (r *Report) findings(s *Season) (out []string) {
	for i := range r.Relations {
		if x := &r.Relations[i]; x.Found {
			out = append(out, x.sentence(s))
		}
	}
	if len(out) == 0 && len(r.Relations) > 0 {
		out = append(out, fmt.Sprintf("Of %d questions asked, none stands out from chance. That does not prove that nothing matters: with so few batches only a strong relation can show.", len(r.Relations)))
	}
	for _, t := range r.TooFew {
		out = append(out, t.sentence(s))
	}
	if len(out) == 0 {
		out = append(out, "There is no finished flush yet, so nothing can be said about what goes with the harvest.")
	}
	return out
}

func (t *TooFew) sentence(s *Season) string {
	if t.Flushes == 0 {
		return fmt.Sprintf("%s: no flush is finished yet, so nothing can be said.", s.called(t.Species))
	}
	return fmt.Sprintf("%s: %s with %s %s too few to say anything. Only batches that gave the same flushes can be compared, and there %s only %s to shuffle their harvests (%s are needed; five such batches have 120).",
		s.called(t.Species), plural(t.Batches, "batch", "batches"), plural(t.Flushes, "finished flush", "finished flushes"), is(t.Batches), is(int(t.Orders)),
		plural(int(t.Orders), "way", "ways"), fixed(t.Needed, 0))
}

func is(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fixed(float64(n), 0) + " " + many
}

// clock writes moments in the site's time.
type clock struct{ zone *time.Location }

func (c clock) day(t time.Time) string {
	if t.IsZero() {
		return "–"
	}
	return t.In(c.zone).Format("2 Jan 2006")
}

func (c clock) short(t time.Time) string { return t.In(c.zone).Format("2 Jan") }

func (c clock) minute(t time.Time) string { return t.In(c.zone).Format("2 Jan 15:04") }

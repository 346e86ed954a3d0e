package web

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy/diagnose"
)

// diagnosePage lets a grower point at what is seen, and ranks what may have made it.
type diagnosePage struct {
	Chamber  string
	Batches  []choice
	Signs    []signChoice
	Problem  string
	Answer   *api.Diagnosis
	Window   string
	Recorded string
	Ranked   []rankedCause
}

type signChoice struct {
	Sign, Says string
	Chosen     bool
	Drawn      drawing
}

type rankedCause struct {
	api.CauseRank
	Percent string
	Width   float64
}

func (v *visit) diagnose() error {
	view, err := v.s.viewOf(v.r.PathValue("chamber"))
	if err != nil {
		return err
	}
	q := v.r.URL.Query()
	p := diagnosePage{Chamber: view.snap.Spec.Name}
	for _, b := range view.batches(false) {
		p.Batches = append(p.Batches, choice{b.Name, b.Name + ", " + words.Species(b.Species), b.Name == q.Get("batch")})
	}
	for _, s := range diagnose.Signs() {
		p.Signs = append(p.Signs, signChoice{string(s), words.Sign(s), slices.Contains(q["sign"], string(s)), drawings[s]})
	}
	if len(q["sign"]) > 0 {
		if err := v.rank(&p, q); err != nil {
			problem := asProblem(err)
			if problem.Status >= http.StatusInternalServerError {
				return err
			}
			p.Problem = sentence(problem.Detail)
		}
	}
	return v.render(http.StatusOK, frame{Title: "What is wrong in " + p.Chamber, View: "diagnose", Body: &p})
}

// rank asks for the ranking as any caller does.
func (v *visit) rank(p *diagnosePage, q url.Values) error {
	ask := v.r.Clone(v.r.Context())
	ask.URL.RawQuery = url.Values{"sign": {strings.Join(q["sign"], ",")}, "batch": {q.Get("batch")}}.Encode()
	got, err := v.s.getDiagnosis(ask)
	if err != nil {
		return err
	}
	d := got.(api.Diagnosis)
	p.Answer = &d
	w, now := v.set.words, v.s.now()
	if !d.From.IsZero() {
		p.Window = w.Clock(d.From, now) + " to " + w.Clock(d.To, now)
		if now.Sub(d.To) < time.Minute {
			p.Window = w.Clock(d.From, now) + " to now"
		}
	}
	p.Recorded = words.Number(d.Recorded, 0) + " h"
	for _, c := range d.Causes {
		c.Says = strings.ToUpper(c.Says[:1]) + c.Says[1:]
		p.Ranked = append(p.Ranked, rankedCause{c, words.Percent(c.Chance, 0), rounded(100 * c.Chance)})
	}
	return nil
}

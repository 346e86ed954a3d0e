package web

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/diagnose"
	"gillkeeper/policy/nearest"
)

// grain is the width of the aggregates that a diagnosis reads.
const grain = 10 * time.Minute

func (s *Server) getDiagnosis(r *http.Request) (any, error) {
	v, err := s.viewOf(r.PathValue("chamber"))
	if err != nil {
		return nil, err
	}
	q := r.URL.Query()
	c := diagnose.Case{Now: v.snap.Wall, Zone: v.words.Zone, Table: s.backend.Climates(v.snap.Spec.Name), Chamber: learnedOf(v.snap)}
	if c.Signs, err = signsNamed(q.Get("sign")); err != nil {
		return nil, err
	}
	if text := q.Get("at"); text != "" {
		if c.Now, err = s.pastMoment("at", text, v.snap.Wall); err != nil {
			return nil, err
		}
	}
	if c.Batch, err = s.batchToDiagnose(r.Context(), v.snap.Spec.Name, q.Get("batch"), c.Now); err != nil {
		return nil, err
	}
	from, to := c.Needs()
	if c.History, err = s.buckets(r.Context(), v.snap.Spec, from, to); err != nil {
		return nil, err
	}
	a := diagnose.Diagnose(&c)
	return v.diagnosis(&c, &a), nil
}

// signsNamed reads signs with commas between them.
func signsNamed(text string) ([]diagnose.Sign, error) {
	var known []string
	for _, s := range diagnose.Signs() {
		known = append(known, string(s))
	}
	var out []diagnose.Sign
	for w := range strings.SplitSeq(text, ",") {
		w = strings.ReplaceAll(strings.ToLower(strings.TrimSpace(w)), " ", "-")
		switch {
		case w == "":
		case len(diagnose.CausesOf(diagnose.Sign(w))) == 0:
			p := &api.Problem{Status: http.StatusUnprocessableEntity, Code: api.CodeRefused, Field: "sign", Value: w, Allowed: strings.Join(known, ", "),
				Nearest: nearest.Word(w, known), Detail: fmt.Sprintf("%q is not a sign; signs are %s", oneLine(w), strings.Join(known, ", "))}
			if p.Nearest != "" {
				p.Detail += fmt.Sprintf("; did you mean %q", p.Nearest)
			}
			return nil, p
		case !slices.Contains(out, diagnose.Sign(w)): // seen is seen: twice is no more evidence
			out = append(out, diagnose.Sign(w))
		}
	}
	if len(out) == 0 {
		return nil, &api.Problem{Status: http.StatusBadRequest, Code: api.CodeBadValue, Field: "sign", Allowed: strings.Join(known, ", "),
			Detail: "name a sign; signs are " + strings.Join(known, ", ")}
	}
	return out, nil
}

// batchToDiagnose finds the batch by its name, or the only one that grew in the chamber at that moment.
func (s *Server) batchToDiagnose(ctx context.Context, chamber, name string, at time.Time) (crop.Record, error) {
	all, err := s.chronicles(ctx, chamber)
	if err != nil {
		return crop.Record{}, err
	}
	var grew []crop.Record
	var names []string
	for _, c := range all {
		for _, r := range policy.Records(c.chamber, c.entries) {
			if name != "" && r.Batch == name || name == "" && !r.Added.After(at) && (r.Retired.IsZero() || r.Retired.After(at)) {
				grew = append(grew, r)
			}
			names = append(names, r.Batch)
		}
	}
	switch {
	case name != "" && len(grew) > 0:
		r := grew[len(grew)-1]
		if r.Added.After(at) {
			return r, &api.Problem{Status: http.StatusUnprocessableEntity, Code: api.CodeRefused, Field: "at", Value: at.Format(time.RFC3339),
				Detail: fmt.Sprintf("batch %s was not in chamber %s then: it came in on %s; give a later moment", name, chamber, r.Added.In(s.zone()).Format("2006-01-02 15:04"))}
		}
		return r, nil
	case name != "":
		return crop.Record{}, missing("batch", name, names)
	case len(grew) == 0:
		return crop.Record{}, &api.Problem{Status: http.StatusUnprocessableEntity, Code: api.CodeRefused, Field: "batch",
			Detail: fmt.Sprintf("nothing grows in chamber %s; name a batch that did", chamber)}
	case len(grew) > 1:
		names = nil
		for i := range grew {
			names = append(names, grew[i].Batch)
		}
		return crop.Record{}, &api.Problem{Status: http.StatusUnprocessableEntity, Code: api.CodeRefused, Field: "batch", Allowed: strings.Join(names, ", "),
			Detail: fmt.Sprintf("several batches grow in chamber %s: name one of %s", chamber, strings.Join(names, ", "))}
	}
	return grew[0], nil
}

// learnedOf is what is known of the chamber.
func learnedOf(snap *policy.Snapshot) diagnose.Chamber {
	spec := snap.Spec
	k := snap.State.Learn.Knowledge(spec.VolumeM3, spec.AltitudeM)
	c := diagnose.Chamber{VolumeM3: spec.VolumeM3, AltitudeM: spec.AltitudeM}
	for _, x := range []struct {
		into  *float64
		value float64
		known bool
	}{{&c.FanOn, k.FanOn.Value, k.FanOn.Known}, {&c.FanOff, k.FanOff.Value, k.FanOff.Known}, {&c.CO2GPerH, k.CO2GPerH.Value, k.CO2GPerH.Known},
		{&c.MistGPerH, k.MistGPerH.Value, k.MistGPerH.Known}, {&c.VaporGPerH, k.VaporGPerH.Value, k.VaporGPerH.Known}} {
		if x.known && !math.IsInf(x.value, 0) {
			*x.into = x.value
		}
	}
	return c
}

// buckets reads the history of a chamber in stretches of [grain], or wider where older record is.
func (s *Server) buckets(ctx context.Context, spec *chamber.Spec, from, to time.Time) ([]diagnose.Bucket, error) {
	var out []diagnose.Bucket
	roles := map[string]chamber.Role{}
	for i := range spec.Plugs {
		roles[spec.Plugs[i].Name] = spec.Plugs[i].Role
	}
	for m, err := range s.backend.History(ctx, journal.HistoryQuery{Chamber: spec.Name, From: from, To: to, Step: grain}) {
		if err != nil {
			return nil, err
		}
		if n := len(out); n == 0 || !out[n-1].At.Equal(m.Start) {
			out = append(out, diagnose.Bucket{At: m.Start, Span: m.Span})
		}
		b := &out[len(out)-1]
		b.Span = max(b.Span, m.Span)
		if into := field(b, m.Place, m.Quantity, roles); into != nil {
			*into = diagnose.Value{Mean: m.Mean, Min: m.Min, Max: m.Max, OK: m.N > 0}
		}
	}
	return out, nil
}

// field is where a series belongs; nil where a diagnosis does not look at it.
func field(b *diagnose.Bucket, place, quantity string, roles map[string]chamber.Role) *diagnose.Value {
	switch {
	case quantity == journal.PlugOn:
		switch roles[place] {
		case chamber.ExhaustFan:
			return &b.Fan
		case chamber.Humidifier:
			return &b.Mist
		case chamber.Lamp:
			return &b.Lamp
		}
		return nil
	case place == chamber.Inside.String():
		switch quantity {
		case chamber.RelativeHumidity.String():
			return &b.RH
		case chamber.Temperature.String():
			return &b.TempC
		case chamber.CO2.String():
			return &b.CO2
		case chamber.Illuminance.String():
			return &b.Lux
		}
	case place == chamber.Room.String():
		switch quantity {
		case chamber.RelativeHumidity.String():
			return &b.RoomRH
		case chamber.Temperature.String():
			return &b.RoomC
		case chamber.CO2.String():
			return &b.RoomCO2
		}
	}
	return nil
}

func (v *view) diagnosis(c *diagnose.Case, a *diagnose.Answer) api.Diagnosis {
	out := api.Diagnosis{Chamber: v.snap.Spec.Name, Batch: c.Batch.Batch, Species: c.Batch.Species, From: a.Window.From.UTC(), To: a.Window.To.UTC(),
		Recorded: a.Window.Covered.Hours(), Stages: []string{}, Signs: []api.SignSeen{}, Causes: []api.CauseRank{}}
	for _, s := range c.Signs {
		out.Signs = append(out.Signs, api.SignSeen{Sign: string(s), Says: words.Sign(s)})
	}
	for _, s := range a.Window.Stages {
		out.Stages = append(out.Stages, s.String())
	}
	for i := range a.Causes {
		x := &a.Causes[i]
		rank := api.CauseRank{Cause: string(x.Cause), Says: words.Cause(x.Cause), Chance: finite(x.Chance), Sureness: words.Sureness(x.Chance),
			Seen: x.Seen, For: v.evidence(x.For), Against: v.evidence(x.Against), Ask: []string{}}
		for _, q := range x.Ask {
			rank.Ask = append(rank.Ask, words.Ask(q))
		}
		if x.Change != nil {
			rank.Change = v.remedy(x.Change)
		}
		out.Causes = append(out.Causes, rank)
	}
	return out
}

func (v *view) evidence(list []diagnose.Finding) []api.Evidence {
	out := []api.Evidence{}
	for i := range list {
		f := &list[i]
		e := api.Evidence{Kind: string(f.Kind), Bound: finite(f.Bound), Extreme: finite(f.Extreme), Mean: finite(f.Mean), Hours: finite(f.Hours),
			Of: finite(f.Of), At: moved(f.At), Says: v.words.Finding(f, v.snap.Wall)}
		if f.Quantity != 0 {
			e.Quantity = f.Quantity.String()
		}
		out = append(out, e)
	}
	return out
}

func (v *view) remedy(c *diagnose.Change) *api.Remedy {
	return &api.Remedy{CO2MaxPPM: finite(c.CO2MaxPPM), RHLow: finite(c.RHLow), RHHigh: finite(c.RHHigh), TempC: finite(c.TempC),
		LightHours: finite(c.LightHours), PickByDay: finite(c.PickByDay), AirChanges: finite(c.AirChanges), FanShare: finite(c.FanShare),
		FanWas: finite(c.FanWas), MistGPerH: finite(c.MistGPerH), MistShare: finite(c.MistShare), MistWas: finite(c.MistWas),
		LitersADay: finite(c.LitersADay), LitersWas: finite(c.LitersWas), Says: v.words.Change(c)}
}

package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"

	"gillkeeper/bridge/forecast"
	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/outlook"
)

// Ahead works out how a chamber will fare while nobody is there, and tells how far it is.
type Ahead func(ctx context.Context, chamber string, length time.Duration, thorough bool, progress func(done, of int)) (outlook.Outlook, error)

// stream is an answer that is written piece by piece.
type stream func(w http.ResponseWriter)

const (
	usualDays    = 4.0
	ndjson       = "application/x-ndjson"
	thoroughTime = 6 * time.Minute // to work an outlook out and take it
)

func (s *Server) getOutlook(r *http.Request) (any, error) {
	v, err := s.viewOf(r.PathValue("chamber"))
	if err != nil {
		return nil, err
	}
	if s.ahead == nil {
		return nil, &api.Problem{Status: http.StatusServiceUnavailable, Code: api.CodeUnavailable, Detail: "no outlook is given here"}
	}
	q := r.URL.Query()
	days := usualDays
	if text := q.Get("days"); text != "" {
		days, err = strconv.ParseFloat(text, 64)
		if most := outlook.Longest.Hours() / 24; err != nil || math.IsNaN(days) || days < 0.25 || days > most {
			return nil, &api.Problem{Status: http.StatusBadRequest, Code: api.CodeBadValue, Field: "days", Value: text,
				Detail: fmt.Sprintf("%q is not a number of days to look ahead; give 0.25 to %g", oneLine(text), most)}
		}
	}
	thorough := q.Get("thorough") == "true"
	if text := q.Get("thorough"); text != "" && text != "true" && text != "false" {
		return nil, &api.Problem{Status: http.StatusBadRequest, Code: api.CodeBadValue, Field: "thorough", Value: text, Detail: "thorough is true or false"}
	}
	ask := func(ctx context.Context, progress func(int, int)) (api.Outlook, error) {
		o, err := s.ahead(ctx, v.snap.Spec.Name, time.Duration(days*24*float64(time.Hour)), thorough, progress)
		if errors.Is(err, forecast.ErrBusy) {
			return api.Outlook{}, &api.Problem{Status: http.StatusServiceUnavailable, Code: api.CodeUnavailable, Detail: err.Error()}
		}
		return outlookOf(&o, s.settings.Load().words), err
	}
	return stream(func(w http.ResponseWriter) { s.streamOutlook(w, r, ask) }), nil
}

// streamOutlook answers with the outlook, or, for who takes lines, with lines that tell how far it is.
func (s *Server) streamOutlook(w http.ResponseWriter, r *http.Request, ask func(context.Context, func(int, int)) (api.Outlook, error)) {
	c := http.NewResponseController(w)
	_ = c.SetWriteDeadline(time.Now().Add(thoroughTime)) // where it cannot be set, the usual one holds
	if !strings.Contains(r.Header.Get("Accept"), ndjson) {
		o, err := ask(r.Context(), nil)
		if err != nil {
			s.writeProblem(w, asProblem(err))
			return
		}
		s.write(w, http.StatusOK, "application/json", o)
		return
	}
	w.Header().Set("Content-Type", ndjson)
	var mu sync.Mutex
	enc := json.NewEncoder(w)
	line := func(p api.OutlookProgress) {
		mu.Lock()
		defer mu.Unlock()
		_ = enc.Encode(p) // who is gone ends the request's context
		_ = c.Flush()
	}
	o, err := ask(r.Context(), func(done, of int) { line(api.OutlookProgress{Done: done, Of: of}) })
	if err != nil {
		line(api.OutlookProgress{Problem: asProblem(err)})
		return
	}
	line(api.OutlookProgress{Done: 1, Of: 1, Outlook: &o})
}

func outlookOf(o *outlook.Outlook, w words.Words) api.Outlook {
	out := api.Outlook{
		Chamber: o.Chamber, From: o.From.UTC(), Until: o.From.Add(o.For).UTC(), Runs: o.Runs, Learned: o.Learned, Thorough: o.Thorough,
		Verdict: string(o.Verdict), Answer: w.Answer(o), SafeFor: api.Duration(o.SafeFor),
		Because: []api.OutlookLine{}, Deeds: []api.OutlookLine{}, Ranges: []api.OutlookRange{}, Due: []api.OutlookDue{},
		Gaps: []api.OutlookLine{}, Alarms: []api.OutlookStands{},
	}
	for i := range o.Because {
		r := &o.Because[i]
		x := api.OutlookLine{Code: string(r.Kind), Text: w.Because(r, o.From), Batch: r.Batch, At: when(r.At)}
		if r.Quantity != 0 {
			x.Quantity = r.Quantity.String()
		}
		out.Because = append(out.Because, x)
	}
	for i := range o.Deeds {
		d := &o.Deeds[i]
		out.Deeds = append(out.Deeds, api.OutlookLine{Code: string(d.Kind), Text: w.Deed(d, o.From), Must: d.Must, Batch: d.Batch, Alarm: string(d.Alarm), At: when(d.By)})
	}
	for i := range o.Gaps {
		g := &o.Gaps[i]
		x := api.OutlookLine{Code: string(g.Kind), Text: w.Gap(g), Plug: g.Plug}
		if g.Quantity != 0 {
			x.Quantity = g.Quantity.String()
		}
		out.Gaps = append(out.Gaps, x)
	}
	for _, r := range o.Ranges {
		out.Ranges = append(out.Ranges, api.OutlookRange{Quantity: r.Quantity.String(), Share: finite(r.Share), Low: finite(r.Low), Chance: finite(r.Chance)})
	}
	for i := range o.Due {
		d := &o.Due[i]
		out.Due = append(out.Due, api.OutlookDue{Batch: d.Batch, Species: d.Species, Stage: d.Stage.String(), From: d.From.UTC(), Until: d.Until.UTC(), Text: w.DueWords(d, o.From)})
	}
	for _, a := range o.Stands {
		out.Alarms = append(out.Alarms, api.OutlookStands{Alarm: string(a.Alarm), Priority: a.Priority.String(), Says: alarm.Told(a.Alarm, a.Code).Says})
	}
	if x := o.Water; x != nil {
		out.Water = &api.OutlookWater{Known: x.Known, Liters: finite(x.Liters), LitersPerDay: finite(x.PerDay), CapacityLiters: finite(x.Capacity), Dry: x.DryNow,
			Now: dryOf(&x.Now), Full: dryOf(&x.Full), Text: w.DryTimes(o)}
	}
	return out
}

func dryOf(d *outlook.Dry) *api.OutlookDry {
	if !d.OK {
		return nil
	}
	return &api.OutlookDry{Earliest: api.Duration(d.Earliest), Likely: api.Duration(d.Likely), Latest: api.Duration(d.Latest), Chance: finite(d.Chance)}
}

func when(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return new(t.UTC())
}

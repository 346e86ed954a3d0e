package web

import (
	"context"
	"fmt"
	"iter"
	"maps"
	"net/http"
	"slices"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/bridge/season"
	"gillkeeper/bridge/web/api"
	"gillkeeper/metrics/yield"
	"gillkeeper/policy/species"
)

// seasonLength is how far back a season goes when nobody says from when.
const seasonLength = 365 * 24 * time.Hour

// errSeasonBusy says that only one season is put together at a time: it reads the journal from end to end.
var errSeasonBusy = &api.Problem{Status: http.StatusServiceUnavailable, Code: api.CodeUnavailable,
	Detail: "another season is being put together; try again in a minute"}

// getSeason puts a season together.
func (s *Server) getSeason(r *http.Request) (any, error) {
	if !s.season.TryLock() {
		return nil, errSeasonBusy
	}
	defer s.season.Unlock()
	q, err := s.seasonQuery(r)
	if err != nil {
		return nil, err
	}
	got, err := season.Read(r.Context(), seasonSource{s.backend}, *q)
	if err != nil {
		return nil, err
	}
	return seasonFiles(got)
}

func (s *Server) seasonQuery(r *http.Request) (*season.Query, error) {
	set := s.settings.Load()
	now := s.now().UTC()
	q := &season.Query{Site: set.site.Name, Fahrenheit: set.site.Fahrenheit, From: now.Add(-seasonLength), To: now, Table: species.Builtin()}
	if set.site.Zone != nil {
		q.Timezone = set.site.Zone.String()
	}
	only := r.URL.Query().Get("chamber")
	if only != "" {
		if _, err := s.viewOf(only); err != nil {
			return nil, err
		}
	}
	for _, snap := range s.backend.Snapshots() {
		if only != "" && snap.Spec.Name != only {
			continue
		}
		q.Chambers = append(q.Chambers, season.Chamber{Name: snap.Spec.Name, VolumeM3: snap.Spec.VolumeM3, AltitudeM: snap.Spec.AltitudeM, Plugs: snap.Spec.Plugs})
		if t := s.backend.Climates(snap.Spec.Name); t != nil { // one table for the site
			q.Table = t
		}
	}
	var err error
	if text := r.URL.Query().Get("to"); text != "" {
		if q.To, err = s.moment("to", text, now); err != nil {
			return nil, err
		}
		q.From = q.To.Add(-seasonLength)
	}
	if text := r.URL.Query().Get("from"); text != "" {
		if q.From, err = s.moment("from", text, now); err != nil {
			return nil, err
		}
	}
	if !q.From.Before(q.To) || q.To.Sub(q.From) > yield.Longest {
		return nil, &api.Problem{Status: http.StatusBadRequest, Code: api.CodeBadValue, Field: "from", Value: q.From.Format(time.RFC3339),
			Detail: fmt.Sprintf("from must lie before to, and at most three years before it; to is %s", q.To.Format(time.RFC3339))}
	}
	return q, nil
}

// seasonFiles writes a season as its files, in order of their names.
func seasonFiles(got *yield.Season) (api.Season, error) {
	files := yield.Files{}
	if err := got.Write(files.Create); err != nil {
		return api.Season{}, err
	}
	out := api.Season{Files: []api.SeasonFile{}}
	for _, name := range slices.Sorted(maps.Keys(files)) {
		out.Files = append(out.Files, api.SeasonFile{Name: name, Text: files[name]})
	}
	return out, nil
}

// seasonSource lets a season be read from who owns the chambers.
type seasonSource struct{ Backend }

// Events asks for one chamber's events.
func (s seasonSource) Events(ctx context.Context, q journal.EventQuery) iter.Seq2[journal.Noted, error] {
	return func(yield func(journal.Noted, error) bool) {
		events, err := s.Backend.Events(ctx, q.Chamber, q.From, q.To, q.Kinds...)
		if err != nil {
			yield(journal.Noted{}, err)
			return
		}
		for i := range events {
			if !yield(journal.Noted{Chamber: q.Chamber, Event: events[i]}, nil) {
				return
			}
		}
	}
}

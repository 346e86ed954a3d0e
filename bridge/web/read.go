package web

import (
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"gillkeeper/bridge/web/api"
	"gillkeeper/policy/nearest"
)

func (s *Server) getSite(r *http.Request) (any, error) {
	set := s.settings.Load()
	site := api.Site{
		Name: set.site.Name, Timezone: "UTC", DisplayTemperature: "celsius", DisplayClock: "24h", Now: s.now().UTC(), Version: s.version,
		Ready: true, Chambers: len(s.backend.Snapshots()), TokenNeeded: set.secrets.hasAct, Acts: s.Acts(),
	}
	if set.site.Zone != nil {
		site.Timezone = set.site.Zone.String()
		if set.site.Zone == time.Local { // another machine's zone to whoever asks
			site.Timezone = ""
		}
		_, site.UTCOffsetSeconds = site.Now.In(set.site.Zone).Zone()
	}
	if set.site.Fahrenheit {
		site.DisplayTemperature = "fahrenheit"
	}
	if set.site.TwelveHour {
		site.DisplayClock = "12h"
	}
	if s.posts != nil {
		site.Notifications = s.posts()
	}
	if err := s.backend.Ready(); err != nil {
		site.Ready, site.NotReady = false, oneLine(err.Error())
	}
	return site, nil
}

func (s *Server) getChambers(r *http.Request) (any, error) {
	return api.Chambers{Chambers: s.chambers()}, nil
}

func (s *Server) chambers() []api.Chamber {
	w := s.settings.Load().words
	out := []api.Chamber{}
	for _, snap := range s.backend.Snapshots() {
		out = append(out, newView(snap, w).chamber())
	}
	return out
}

func (s *Server) getChamber(r *http.Request) (any, error) {
	v, err := s.viewOf(r.PathValue("chamber"))
	if err != nil {
		return nil, err
	}
	c := v.chamber()
	c.Sensors, c.Learned = v.sensors(), v.learned()
	return c, nil
}

// viewOf finds a chamber, or says which one is nearest.
func (s *Server) viewOf(name string) (*view, error) {
	snap, ok := s.backend.Snapshot(name)
	if ok {
		return newView(snap, s.settings.Load().words), nil
	}
	var names []string
	for _, snap := range s.backend.Snapshots() {
		names = append(names, snap.Spec.Name)
	}
	return nil, missing("chamber", name, names)
}

// missing says that a named thing does not exist, and which names do.
func missing(what, name string, names []string) error {
	p := &api.Problem{Status: http.StatusNotFound, Code: api.CodeNotFound, Field: what, Value: name, Nearest: nearest.Word(name, names)}
	const most = 12
	shown := names
	if len(shown) > most {
		shown = append(slices.Clone(shown[:most]), "…")
	}
	p.Allowed = strings.Join(shown, ", ")
	p.Detail = fmt.Sprintf("there is no %s %q", what, name)
	switch {
	case p.Nearest != "":
		p.Detail += fmt.Sprintf("; did you mean %q", p.Nearest)
	case len(names) > 0:
		p.Detail += "; there is " + p.Allowed
	default:
		p.Detail += "; there is none yet"
	}
	return p
}

func (s *Server) getWhy(r *http.Request) (any, error) {
	v, err := s.viewOf(r.PathValue("chamber"))
	if err != nil {
		return nil, err
	}
	if text := r.URL.Query().Get("at"); text != "" {
		at, err := s.pastMoment("at", text, v.snap.Wall)
		if err != nil {
			return nil, err
		}
		return s.whyAt(r, v, at)
	}
	why := api.Why{Chamber: v.snap.Spec.Name, At: v.snap.Wall.UTC(), Plugs: []api.WhyPlug{}}
	for i, p := range v.plugs() {
		x := api.WhyPlug{Name: p.Name, Role: p.Role, On: p.On, Since: p.Since, Reasons: p.Reasons}
		if i < len(v.snap.Decision.Plugs) {
			x.On = v.snap.Decision.Plugs[i].On
		}
		why.Plugs = append(why.Plugs, x)
	}
	return why, nil
}

func (s *Server) whyAt(r *http.Request, v *view, at time.Time) (any, error) {
	events, err := s.backend.WhyAt(r.Context(), v.snap.Spec.Name, at)
	if err != nil {
		return nil, err
	}
	why := api.Why{Chamber: v.snap.Spec.Name, At: at.UTC(), Past: true, Plugs: []api.WhyPlug{}}
	for i := range events {
		e := &events[i]
		x := api.WhyPlug{Name: e.Plug, On: e.On, Since: new(e.At.UTC()), Reasons: v.reasons(e.Reasons, e.On)}
		for j := range v.snap.Spec.Plugs {
			if v.snap.Spec.Plugs[j].Name == e.Plug {
				x.Role = v.snap.Spec.Plugs[j].Role.String()
			}
		}
		why.Plugs = append(why.Plugs, x)
	}
	return s.then(r.Context(), v, why)
}

// longestEvents is the longest stretch of events given at once.
const longestEvents = 31 * 24 * time.Hour

func (s *Server) getEvents(r *http.Request) (any, error) {
	v, err := s.viewOf(r.PathValue("chamber"))
	if err != nil {
		return nil, err
	}
	to, from := v.snap.Wall, v.snap.Wall.Add(-24*time.Hour)
	if text := r.URL.Query().Get("to"); text != "" {
		if to, err = s.moment("to", text, v.snap.Wall); err != nil {
			return nil, err
		}
		from = to.Add(-24 * time.Hour)
	}
	if text := r.URL.Query().Get("from"); text != "" {
		if from, err = s.moment("from", text, v.snap.Wall); err != nil {
			return nil, err
		}
	}
	if !from.Before(to) || to.Sub(from) > longestEvents {
		return nil, &api.Problem{Status: http.StatusBadRequest, Code: api.CodeBadValue, Field: "from", Value: from.Format(time.RFC3339),
			Detail: "from must lie before to, and at most 31 days before it"}
	}
	events, err := s.backend.Events(r.Context(), v.snap.Spec.Name, from, to)
	if err != nil {
		return nil, err
	}
	out := api.Events{Chamber: v.snap.Spec.Name, Events: []api.Event{}}
	for i := range events {
		out.Events = append(out.Events, v.event(&events[i]))
	}
	return out, nil
}

// zone is the site's timezone.
func (s *Server) zone() *time.Location { return cmp.Or(s.settings.Load().site.Zone, time.UTC) }

// moment reads a point in time as people write it, in the site's timezone.
func (s *Server) moment(field, text string, now time.Time) (time.Time, error) {
	t, err := api.ParseMoment(text, now, s.zone())
	if err != nil {
		return t, &api.Problem{Status: http.StatusBadRequest, Code: api.CodeBadValue, Field: field, Value: text, Detail: err.Error()}
	}
	return t, nil
}

// ahead is by how much the clock of who asks may be ahead of this one.
const ahead = time.Minute

// pastMoment reads a moment of which something can be known already.
func (s *Server) pastMoment(field, text string, now time.Time) (time.Time, error) {
	t, err := s.moment(field, text, now)
	if err == nil && t.After(s.now().Add(ahead)) {
		return t, &api.Problem{Status: http.StatusBadRequest, Code: api.CodeBadValue, Field: field, Value: text,
			Detail: fmt.Sprintf("%q is yet to come; give a past moment, such as 14:30 or -2h", oneLine(text))}
	}
	return t, err
}

func (s *Server) getBatches(r *http.Request) (any, error) {
	retired := false
	switch v := r.URL.Query().Get("retired"); v {
	case "", "false":
	case "true":
		retired = true
	default:
		return nil, &api.Problem{Status: http.StatusBadRequest, Code: api.CodeBadValue, Field: "retired", Value: v, Detail: "retired is true or false"}
	}
	out := api.Batches{Batches: []api.Batch{}}
	for _, snap := range s.backend.Snapshots() {
		out.Batches = append(out.Batches, newView(snap, s.settings.Load().words).batches(retired)...)
	}
	return out, nil
}

func (s *Server) getAlarms(r *http.Request) (any, error) {
	out := api.Alarms{Alarms: []api.Alarm{}}
	for _, snap := range s.backend.Snapshots() {
		out.Alarms = append(out.Alarms, newView(snap, s.settings.Load().words).alarms()...)
	}
	slices.SortStableFunc(out.Alarms, compareAlarms)
	return out, nil
}

// chamberOf finds the chamber in which a batch grows. A batch's name is unique at the site; a retired one is found only
// where none that grows has the name.
func (s *Server) chamberOf(batch string) (string, error) {
	var names []string
	found := ""
	for _, snap := range s.backend.Snapshots() {
		for i := range snap.State.Crop.Batches {
			b := &snap.State.Crop.Batches[i]
			if b.Name == batch && (b.Retired.IsZero() || found == "") {
				found = snap.Spec.Name
			}
			if b.Retired.IsZero() {
				names = append(names, b.Name)
			}
		}
	}
	if found == "" {
		return "", missing("batch", batch, names)
	}
	return found, nil
}

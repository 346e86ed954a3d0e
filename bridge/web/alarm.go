package web

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"gillkeeper/bridge/web/api"
	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
)

func (s *Server) postUnack(r *http.Request) (any, error) {
	var in api.Ack
	if err := decode(r, &in); err != nil {
		return nil, err
	}
	return s.act(r, r.PathValue("chamber"), in.ID, policy.Action{Kind: policy.AlarmUnack, Alarm: r.PathValue("alarm"), Note: in.Note})
}

func (s *Server) postUnshelve(r *http.Request) (any, error) {
	var in api.Unshelve
	if err := decode(r, &in); err != nil {
		return nil, err
	}
	return s.act(r, r.PathValue("chamber"), in.ID, policy.Action{Kind: policy.AlarmUnshelve, Alarm: r.PathValue("alarm"), Note: in.Note})
}

func (s *Server) postOutOfService(r *http.Request) (any, error) {
	return s.service(r, policy.AlarmOutOfService)
}

func (s *Server) postInService(r *http.Request) (any, error) {
	return s.service(r, policy.AlarmInService)
}

func (s *Server) service(r *http.Request, kind policy.ActionKind) (any, error) {
	var in api.Service
	if err := decode(r, &in); err != nil {
		return nil, err
	}
	return s.act(r, r.PathValue("chamber"), in.ID, policy.Action{Kind: kind, Alarm: r.PathValue("alarm"), Note: in.Note})
}

// aWeek is how far back the history of alarms goes unless asked otherwise.
const aWeek = 7 * 24 * time.Hour

func (s *Server) getAlarmHistory(r *http.Request) (any, error) {
	q := r.URL.Query()
	now := s.now()
	to, from := now.Add(time.Second), now.Add(-aWeek) // what happened at this very moment too
	var err error
	if text := q.Get("to"); text != "" {
		if to, err = s.moment("to", text, now); err != nil {
			return nil, err
		}
		from = to.Add(-aWeek)
	}
	if text := q.Get("from"); text != "" {
		if from, err = s.moment("from", text, now); err != nil {
			return nil, err
		}
	}
	if !from.Before(to) {
		return nil, &api.Problem{Status: http.StatusBadRequest, Code: api.CodeBadValue, Field: "from", Value: from.Format(time.RFC3339),
			Detail: fmt.Sprintf("from must lie before to; from is %s, to is %s", from.Format(time.RFC3339), to.Format(time.RFC3339))}
	}
	snaps := s.backend.Snapshots()
	if name := q.Get("chamber"); name != "" {
		v, err := s.viewOf(name)
		if err != nil {
			return nil, err
		}
		snaps = []*policy.Snapshot{v.snap}
	}
	out := api.AlarmHistory{From: from.UTC(), To: to.UTC(), Changes: []api.AlarmChange{}}
	for _, snap := range snaps {
		events, err := s.backend.Events(r.Context(), snap.Spec.Name, from, to, policy.AlarmChanged, policy.PersonActed)
		if err != nil {
			return nil, err
		}
		out.Changes = append(out.Changes, newView(snap, s.settings.Load().words).alarmChanges(events)...)
	}
	slices.SortStableFunc(out.Changes, func(a, b api.AlarmChange) int { return a.At.Compare(b.At) })
	return out, nil
}

// alarmChanges joins each change of an alarm with the person's action right before it that made it.
func (v *view) alarmChanges(events []policy.Event) []api.AlarmChange {
	var out []api.AlarmChange
	var act *policy.Action
	for i := range events {
		e := &events[i]
		if e.Kind != policy.AlarmChanged {
			act = e.Action
			continue
		}
		x := api.AlarmChange{At: e.At.UTC(), Chamber: v.snap.Spec.Name, Alarm: string(e.Alarm), State: e.Phase, Priority: e.Priority, Told: e.Notify}
		if c := e.Condition; c != nil {
			x.Detail, x.FollowsFrom = v.words.Condition(alarm.Name(e.Alarm), c), string(c.Cause)
		}
		if act != nil && act.Alarm == string(e.Alarm) && strings.HasPrefix(string(act.Kind), "alarm_") {
			x.Action, x.By, x.Note = string(act.Kind), act.By, act.Note
		}
		act = nil
		out = append(out, x)
	}
	return out
}

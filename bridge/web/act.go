package web

import (
	"context"
	"crypto/rand"
	"fmt"
	"net/http"
	"regexp"
	"time"

	"gillkeeper/bridge/web/api"
	"gillkeeper/policy"
	"gillkeeper/policy/nearest"
	"gillkeeper/policy/species"
)

func (s *Server) postRefill(r *http.Request) (any, error) {
	var in api.Refill
	if err := decode(r, &in); err != nil {
		return nil, err
	}
	return s.act(r, r.PathValue("chamber"), in.ID, policy.Action{Kind: policy.Refilled, Liters: in.Liters, Cleaned: in.Cleaned, Note: in.Note})
}

func (s *Server) postHand(r *http.Request) (any, error) {
	var in api.HandSet
	if err := decode(r, &in); err != nil {
		return nil, err
	}
	return s.act(r, r.PathValue("chamber"), in.ID, policy.Action{
		Kind: policy.HandSet, Plug: in.Plug, Hand: policy.Hand(in.Hand), For: time.Duration(in.For), Note: in.Note})
}

func (s *Server) postBatch(r *http.Request) (any, error) {
	var in api.BatchAdd
	if err := decode(r, &in); err != nil {
		return nil, err
	}
	a := policy.Action{Kind: policy.BatchAdd, Batch: in.Batch, Species: in.Species, Strain: in.Strain, Supplements: in.Supplements,
		Position: in.Position, SubstrateKg: in.SubstrateKg, DryKg: in.DryKg, Note: in.Note}
	if err := s.past(&a.When, "at", in.At); err != nil {
		return nil, err
	}
	if err := s.past(&a.Inoculated, "inoculated", in.Inoculated); err != nil {
		return nil, err
	}
	if in.Stage != "" {
		var err error
		if a.Stage, err = stageNamed(in.Stage); err != nil {
			return nil, err
		}
	}
	return s.act(r, r.PathValue("chamber"), in.ID, a)
}

func (s *Server) postStage(r *http.Request) (any, error) {
	var in api.StageSet
	if err := decode(r, &in); err != nil {
		return nil, err
	}
	stage, err := stageNamed(in.Stage)
	if err != nil {
		return nil, err
	}
	return s.actOnBatchAt(r, in.ID, in.At, policy.Action{Kind: policy.StageSet, Stage: stage, Note: in.Note})
}

func (s *Server) postHarvest(r *http.Request) (any, error) {
	var in api.Harvest
	if err := decode(r, &in); err != nil {
		return nil, err
	}
	return s.actOnBatchAt(r, in.ID, in.At, policy.Action{Kind: policy.HarvestDone, FreshG: in.FreshG, Done: in.Done, Marks: in.Marks,
		Photos: in.Photos, Note: in.Note})
}

func (s *Server) postRetire(r *http.Request) (any, error) {
	var in api.Retire
	if err := decode(r, &in); err != nil {
		return nil, err
	}
	return s.actOnBatchAt(r, in.ID, in.At, policy.Action{Kind: policy.BatchRetire, Note: in.Note})
}

func (s *Server) postAck(r *http.Request) (any, error) {
	var in api.Ack
	if err := decode(r, &in); err != nil {
		return nil, err
	}
	return s.act(r, r.PathValue("chamber"), in.ID, policy.Action{Kind: policy.AlarmAck, Alarm: r.PathValue("alarm"), Note: in.Note})
}

func (s *Server) postShelve(r *http.Request) (any, error) {
	var in api.Shelve
	if err := decode(r, &in); err != nil {
		return nil, err
	}
	return s.act(r, r.PathValue("chamber"), in.ID, policy.Action{
		Kind: policy.AlarmShelve, Alarm: r.PathValue("alarm"), For: time.Duration(in.For), Note: in.Note})
}

// actOnBatchAt is actOnBatch for a moment that may have passed.
func (s *Server) actOnBatchAt(r *http.Request, id, at string, a policy.Action) (any, error) {
	if err := s.past(&a.When, "at", at); err != nil {
		return nil, err
	}
	return s.actOnBatch(r, id, a)
}

func (s *Server) actOnBatch(r *http.Request, id string, a policy.Action) (any, error) {
	a.Batch = r.PathValue("batch")
	chamber, err := s.chamberOf(a.Batch)
	if err != nil {
		return nil, err
	}
	return s.act(r, chamber, id, a)
}

// act hands an action to the owner of the chamber and answers with the chamber after it.
func (s *Server) act(r *http.Request, chamber, id string, a policy.Action) (any, error) {
	if _, err := s.viewOf(chamber); err != nil { // names the nearest
		return nil, err
	}
	var err error
	if a.ID, err = actionID(r, id); err != nil {
		return nil, err
	}
	a.At, a.By = s.now().UTC(), "api"
	ctx, cancel := context.WithTimeout(r.Context(), actTimeout)
	defer cancel()
	snap, err := s.backend.Act(ctx, chamber, a)
	if err != nil {
		return nil, err
	}
	return api.Done{ID: a.ID, Chamber: newView(snap, s.settings.Load().words).chamber()}, nil
}

var idPattern = regexp.MustCompile(`^[A-Za-z0-9._:-]{1,128}$`)

// actionID takes the caller's id from the body or the header, or makes one.
func actionID(r *http.Request, inBody string) (string, error) {
	inHeader := r.Header.Get("Idempotency-Key")
	id := inBody
	if id == "" {
		id = inHeader
	}
	switch {
	case id == "":
		return rand.Text(), nil
	case inHeader != "" && inHeader != id:
		return "", &api.Problem{Status: http.StatusBadRequest, Code: api.CodeBadValue, Field: "id", Value: id,
			Detail: "the id in the body differs from the header Idempotency-Key; give one of them"}
	case !idPattern.MatchString(id):
		return "", &api.Problem{Status: http.StatusBadRequest, Code: api.CodeBadValue, Field: "id",
			Detail: "an id is 1 to 128 letters, digits, dots, colons, hyphens or underscores"}
	}
	return id, nil
}

func stageNamed(word string) (species.Stage, error) {
	var st species.Stage
	var names []string
	for _, s := range species.Stages() {
		names = append(names, s.String())
	}
	if err := st.UnmarshalText([]byte(word)); err != nil || st == 0 {
		p := &api.Problem{Status: http.StatusUnprocessableEntity, Code: api.CodeRefused, Field: "stage", Value: word,
			Allowed: "colonization, pinning, fruiting, rest", Nearest: nearest.Word(word, names),
			Detail: fmt.Sprintf("%q is not a stage; stages are colonization, pinning, fruiting, rest", oneLine(word))}
		if p.Nearest != "" {
			p.Detail += fmt.Sprintf("; did you mean %q", p.Nearest)
		}
		return 0, p
	}
	return st, nil
}

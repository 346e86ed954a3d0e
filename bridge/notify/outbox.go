package notify

import (
	"context"
	"encoding/json"
	"errors"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy/alarm"
)

// part is the name under which the desk keeps its things in the journal.
const part = "notify"

// Outbox is where what must outlast a restart is kept; a journal's [journal.Records] is one.
type Outbox = journal.Records

// letter is one message on its way to one service.
type letter struct {
	Service string    `json:"service"`
	Message Message   `json:"message"`
	Made    time.Time `json:"made"`  // by the machine's clock
	Due     time.Time `json:"due"`   // not to be sent before
	Tries   int       `json:"tries"` // failed ones
}

func (l *letter) record() journal.Record {
	b, err := json.Marshal(l)
	if err != nil {
		panic(err) // plain values only
	}
	return journal.Record{Name: "letter/" + l.Message.ID + "/" + l.Service, Body: b}
}

func (l *letter) gone() journal.Record {
	return journal.Record{Name: "letter/" + l.Message.ID + "/" + l.Service}
}

// told is one alarm of which a service was told, or is about to be.
type told struct {
	Priority alarm.Priority `json:"priority"`
	Since    time.Time      `json:"since"` // on the calendar
	// Raised, by the chamber's own clock, says which occurrence it was, and Told and Instances which word of it: one that comes
	// from two sides, by an event and by comparing, is told once.
	Raised    time.Time `json:"raised"`
	Told      time.Time `json:"told,omitzero"`
	Instances uint64    `json:"instances,omitempty"`
}

// memory is what the desk remembers besides letters.
type memory struct {
	// Told has a map for each service, by chamber and alarm with a slash between them.
	Told map[string]map[string]told `json:"told,omitempty"`
	// Days has for each service the day of its last daily message, as the site's calendar has it.
	Days map[string]string `json:"days,omitempty"`
	// Tallies has for each service the counters at its last daily message.
	Tallies map[string]tally `json:"tallies,omitempty"`
}

func (m *memory) record() journal.Record {
	b, err := json.Marshal(m)
	if err != nil {
		panic(err) // plain values only
	}
	return journal.Record{Name: "memory", Body: b}
}

// load reads what was kept. What cannot be read is left out.
func load(ctx context.Context, from Outbox) (letters []*letter, mem memory, err error) {
	mem = memory{Told: map[string]map[string]told{}, Days: map[string]string{}, Tallies: map[string]tally{}}
	if from == nil {
		return nil, mem, nil
	}
	all, err := from.Kept(ctx, part)
	for _, r := range all {
		if r.Name == "memory" {
			err = errors.Join(err, json.Unmarshal(r.Body, &mem))
			continue
		}
		l := &letter{}
		if bad := json.Unmarshal(r.Body, l); bad != nil {
			err = errors.Join(err, bad)
			continue
		}
		letters = append(letters, l)
	}
	if mem.Told == nil {
		mem.Told = map[string]map[string]told{}
	}
	if mem.Days == nil {
		mem.Days = map[string]string{}
	}
	if mem.Tallies == nil {
		mem.Tallies = map[string]tally{}
	}
	return letters, mem, err
}

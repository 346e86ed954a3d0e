package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Records keeps small values by name for a part of the program that has something of its own to remember over a
// restart, such as the messages that still wait to be sent. Every [Journal] of this package is one. A value survives
// the end of the process at any instruction; a power cut may take the last seconds, and a damaged file all of them:
// what must not be lost belongs into an action.
type Records interface {
	// Keep stores, replaces or, where the body is nil, forgets values of one part: all of them or none.
	Keep(ctx context.Context, part string, records []Record) error
	// Kept gives every value of a part, in order of names.
	Kept(ctx context.Context, part string) ([]Record, error)
}

var (
	_ Records = (*SQLite)(nil)
	_ Records = (*Memory)(nil)
)

// Record is one value. What it means is the affair of the part that keeps it.
type Record struct {
	Name string
	Body json.RawMessage // nil: forget it
}

func checkRecords(part string, records []Record) error {
	if part == "" {
		return errors.New("journal: name the part whose records to keep")
	}
	for i := range records {
		if records[i].Name == "" {
			return fmt.Errorf("journal: a record of %s has no name", part)
		}
		if b := records[i].Body; b != nil && !json.Valid(b) {
			return fmt.Errorf("journal: record %s of %s is not JSON", records[i].Name, part)
		}
	}
	return nil
}

// Keep implements [Records].
func (j *SQLite) Keep(ctx context.Context, part string, records []Record) error {
	if err := checkRecords(part, records); err != nil {
		return err
	}
	if len(records) == 0 {
		return nil
	}
	f, leave, err := j.use(ctx)
	if err != nil {
		return err
	}
	if f.there() {
		err = j.keep(f, part, records)
	} else {
		err = damage("somebody took the file away")
	}
	if err == nil {
		err = j.move(f)
	}
	leave()
	return j.failedAt(ctx, f, "to keep records in", err)
}

func (j *SQLite) keep(f *file, part string, records []Record) error {
	j.gate.patient()
	defer j.gate.patientDone()
	return f.quick.tx(func() error {
		for _, r := range records {
			var err error
			if r.Body == nil {
				err = f.quick.exec("DELETE FROM records WHERE part = ? AND name = ?", part, r.Name)
			} else {
				err = f.quick.exec("INSERT OR REPLACE INTO records VALUES (?, ?, ?)", part, r.Name, string(r.Body))
			}
			if err != nil {
				return err
			}
			f.dirty.Add(int64(len(r.Body)) + 4096)
		}
		return nil
	})
}

// Kept implements [Records].
func (j *SQLite) Kept(ctx context.Context, part string) (out []Record, err error) {
	err = j.reading(ctx, func(ctx context.Context, c *sql.Conn) error {
		out = nil
		rows, err := c.QueryContext(ctx, "SELECT name, body FROM records WHERE part = ? ORDER BY name", part)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var name, body string
			if err := rows.Scan(&name, &body); err != nil {
				return err
			}
			if json.Valid([]byte(body)) { // a flipped bit takes this one with it, not the others
				out = append(out, Record{Name: name, Body: json.RawMessage(body)})
			}
		}
		return rows.Err()
	})
	return out, err
}

// Keep implements [Records].
func (m *Memory) Keep(ctx context.Context, part string, records []Record) error {
	if err := checkRecords(part, records); err != nil {
		return err
	}
	if err := m.enter(ctx); err != nil {
		return err
	}
	defer m.mu.Unlock()
	if m.records == nil {
		m.records = map[string]map[string]json.RawMessage{}
	}
	if m.records[part] == nil {
		m.records[part] = map[string]json.RawMessage{}
	}
	for _, r := range records {
		if r.Body == nil {
			delete(m.records[part], r.Name)
		} else {
			m.records[part][r.Name] = slices.Clone(r.Body)
		}
	}
	return nil
}

// Kept implements [Records].
func (m *Memory) Kept(ctx context.Context, part string) ([]Record, error) {
	if err := m.enter(ctx); err != nil {
		return nil, err
	}
	defer m.mu.Unlock()
	var out []Record
	for name, body := range m.records[part] {
		out = append(out, Record{Name: name, Body: slices.Clone(body)})
	}
	slices.SortFunc(out, func(a, b Record) int { return strings.Compare(a.Name, b.Name) })
	return out, nil
}

package journal

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"gillkeeper/policy"
)

// longest is how long one transaction of telemetry goes on before it lets others in.
const longest = 1500 * time.Microsecond

// moveAfter is how many bytes are written before the log is moved into the database: few enough that opening after a
// power cut is quick, many enough that a page that changes each second is written to the database only once in a
// while.
const moveAfter = 2 << 20

func nano(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixNano()
}

func fromNano(n int64) time.Time {
	if n == 0 {
		return time.Time{}
	}
	return time.Unix(0, n).UTC()
}

// Act implements [Journal].
func (j *SQLite) Act(ctx context.Context, chamber string, a policy.Action) (int64, error) {
	if err := checkAction(chamber, &a); err != nil {
		return 0, err
	}
	body, err := json.Marshal(&a)
	if err != nil {
		return 0, fmt.Errorf("journal: the action cannot be written down: %w", err)
	}
	f, leave, err := j.use(ctx)
	if err != nil {
		return 0, err
	}
	seq, err := j.actOn(f, chamber, &a, string(body))
	leave()
	return seq, j.failedAt(ctx, f, "to store an action in", err)
}

func (j *SQLite) actOn(f *file, chamber string, a *policy.Action, body string) (int64, error) {
	if !f.there() {
		return 0, damage("somebody took the file away")
	}
	j.gate.hurry()
	defer j.gate.done()
	var seq int64
	var where, kept string
	found, err := f.sure.row("SELECT seq, chamber, body FROM actions WHERE id = ?", []any{a.ID}, &seq, &where, &kept)
	if err != nil {
		return 0, err
	}
	if found {
		var old policy.Action
		if where != chamber || json.Unmarshal([]byte(kept), &old) != nil || !a.Repeats(&old) {
			return 0, fmt.Errorf("%w: %s", ErrIDTaken, a.ID)
		}
		return seq, nil
	}
	seq = f.seq + 1
	if err := f.act(seq, chamber, a, body); err != nil {
		return 0, err
	}
	f.seq = seq
	// The database has it for certain. The second copy is for the day when the database is damaged: when it cannot be
	// written now, it is completed when the journal is next opened.
	_ = j.mirror.append([]mirrorLine{{Seq: seq, Chamber: chamber, Action: json.RawMessage(body)}})
	return seq, nil
}

// act writes one action, durably.
func (f *file) act(seq int64, chamber string, a *policy.Action, body string) error {
	at := nano(a.At)
	f.dirty.Add(8192)
	return f.sure.exec("INSERT INTO actions VALUES (?, ?, ?, ?, ?, ?, ?, ?)", seq, a.ID, chamber, at, string(a.Kind), a.Batch,
		body, checksum(seq, at, a.ID, chamber, string(a.Kind), a.Batch, body))
}

// Switch implements [Journal].
func (j *SQLite) Switch(ctx context.Context, sw []Switched) error {
	for i := range sw {
		if err := checkTime("switch", sw[i].At); err != nil {
			return err
		}
	}
	if len(sw) == 0 {
		return nil
	}
	f, leave, err := j.use(ctx)
	if err != nil {
		return err
	}
	j.gate.hurry()
	if len(sw) == 1 {
		err = f.switched(&f.quick, sw[0])
	} else {
		err = f.quick.tx(func() error {
			for _, w := range sw {
				if err := f.switched(&f.quick, w); err != nil {
					return err
				}
			}
			return nil
		})
	}
	j.gate.done()
	leave()
	return j.failedAt(ctx, f, "to store a switch in", err)
}

func (f *file) switched(w *writer, s Switched) error {
	f.pending[s.Chamber] = true
	f.dirty.Add(4096)
	return w.exec("INSERT INTO switches (chamber, plug, state, at) VALUES (?, ?, ?, ?)", s.Chamber, s.Plug, s.On, nano(s.At))
}

// telemetry writes items in order, in transactions that are short, and says how many are stored.
func telemetry[T any](ctx context.Context, j *SQLite, op string, items []T, write func(*file, *T) error) (int, error) {
	f, leave, err := j.use(ctx)
	if err != nil {
		return 0, err
	}
	done := 0
	if !f.there() {
		err = damage("somebody took the file away")
	}
	for err == nil && done < len(items) {
		if err = ctx.Err(); err != nil {
			break
		}
		var n int
		n, err = chunk(j, f, items[done:], write)
		done += n
	}
	if err == nil {
		err = j.move(f)
	}
	leave()
	if err != nil && ctx.Err() != nil && err == ctx.Err() {
		return done, err
	}
	return done, j.failedAt(ctx, f, op, err)
}

// chunk writes as many items as fit into one short transaction.
func chunk[T any](j *SQLite, f *file, items []T, write func(*file, *T) error) (n int, err error) {
	j.gate.patient()
	defer j.gate.patientDone()
	start := time.Now()
	err = f.quick.tx(func() error {
		for i := range items {
			if err := write(f, &items[i]); err != nil {
				return err
			}
			n++
			if time.Since(start) > longest {
				break
			}
		}
		return nil
	})
	if err != nil {
		clear(f.names) // some may not be stored
		return 0, err
	}
	return n, nil
}

// move moves the log into the database when enough has come together, while others go on writing. It waits for the
// disk, so it is done by those who write telemetry.
func (j *SQLite) move(f *file) error {
	if f.dirty.Load() < moveAfter || !j.checking.TryLock() {
		return nil
	}
	defer j.checking.Unlock()
	f.dirty.Store(0)
	var busy, log, moved int
	return f.check.QueryRowContext(context.Background(), "PRAGMA wal_checkpoint(PASSIVE)").Scan(&busy, &log, &moved)
}

// Save implements [Journal].
func (j *SQLite) Save(ctx context.Context, snaps []Saved) error {
	for i := range snaps {
		if err := checkTime("snapshot", snaps[i].At); err != nil {
			return err
		}
	}
	var behind []string
	_, err := telemetry(ctx, j, "to save chambers in", snaps, func(f *file, s *Saved) error {
		var seq int64
		found, err := f.quick.row("SELECT seq FROM snapshots WHERE chamber = ?", []any{s.Chamber}, &seq)
		if err != nil {
			return err
		}
		if found && seq > s.Seq {
			behind = append(behind, s.Chamber)
			return nil
		}
		return f.save(&f.quick, s)
	})
	if err != nil {
		return err
	}
	return behindError(behind)
}

func (f *file) save(w *writer, s *Saved) error {
	at := nano(s.At)
	state := string(s.State)
	f.dirty.Add(int64(len(state)) + 4096)
	err := w.exec(`INSERT INTO snapshots VALUES (?1, ?2, ?3, ?4, ?5)
		ON CONFLICT (chamber) DO UPDATE SET seq = ?2, at = ?3, state = ?4, sum = ?5`,
		s.Chamber, s.Seq, at, state, checksum(s.Seq, at, s.Chamber, state))
	if err != nil {
		return err
	}
	f.seq = max(f.seq, s.Seq)
	if !f.pending[s.Chamber] {
		return nil
	}
	if err := w.exec("DELETE FROM switches WHERE chamber = ? AND at < ?", s.Chamber, at); err != nil {
		return err
	}
	var left int
	if _, err := w.row("SELECT count(*) FROM switches WHERE chamber = ?", []any{s.Chamber}, &left); err != nil {
		return err
	}
	if left == 0 {
		delete(f.pending, s.Chamber)
	}
	return nil
}

// Note implements [Journal].
func (j *SQLite) Note(ctx context.Context, events []Noted) (int, error) {
	for i := range events {
		if err := checkTime("event", events[i].Event.At); err != nil {
			return 0, err
		}
	}
	return telemetry(ctx, j, "to note events in", events, func(f *file, n *Noted) error {
		body, err := packed(&n.Event)
		if err != nil {
			return fmt.Errorf("the event cannot be written down: %w", err)
		}
		f.dirty.Add(int64(len(body)) + 512)
		return f.quick.exec("INSERT INTO events (chamber, at, kind, plug, body) VALUES (?, ?, ?, ?, ?)",
			n.Chamber, nano(n.Event.At), string(n.Event.Kind), n.Event.Plug, string(body))
	})
}

// Minutes implements [Journal].
func (j *SQLite) Minutes(ctx context.Context, ms []Minute) error {
	for i := range ms {
		if err := ms[i].check(); err != nil {
			return err
		}
	}
	_, err := telemetry(ctx, j, "to keep history in", ms, func(f *file, m *Minute) error {
		s, err := f.series(m)
		if err != nil {
			return err
		}
		span := m.Span
		if span == 0 {
			span = Span
		}
		f.dirty.Add(256)
		return f.quick.exec("INSERT OR REPLACE INTO minute_grains VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
			s.chamber, m.Start.Unix(), s.id, int64(span/time.Second), whole(m.Mean, s.perUnit), whole(m.Min, s.perUnit),
			whole(m.Max, s.perUnit), m.N, whole(m.Seconds, secondsPerUnit))
	})
	return err
}

// series gives the number of a series, and makes one when there is none.
func (f *file) series(m *Minute) (seriesID, error) {
	key := series{m.Chamber, m.Place, m.Quantity}
	if s, ok := f.names[key]; ok {
		return s, nil
	}
	var s seriesID
	if err := f.quick.exec("INSERT OR IGNORE INTO chambers (name) VALUES (?)", m.Chamber); err != nil {
		return s, err
	}
	if _, err := f.quick.row("SELECT id FROM chambers WHERE name = ?", []any{m.Chamber}, &s.chamber); err != nil {
		return s, err
	}
	if err := f.quick.exec("INSERT OR IGNORE INTO series (chamber, place, quantity, per_unit) VALUES (?, ?, ?, ?)",
		s.chamber, m.Place, m.Quantity, perUnit(m.Quantity)); err != nil {
		return s, err
	}
	if _, err := f.quick.row("SELECT id, per_unit FROM series WHERE chamber = ? AND place = ? AND quantity = ?",
		[]any{s.chamber, m.Place, m.Quantity}, &s.id, &s.perUnit); err != nil {
		return s, err
	}
	f.names[key] = s
	return s, nil
}

// pruneStep is how many rows one transaction of Prune looks at.
const pruneStep = 100

// Prune implements [Journal].
func (j *SQLite) Prune(ctx context.Context, r Retention) (int64, error) {
	f, leave, err := j.use(ctx)
	if err != nil {
		return 0, err
	}
	var gone int64
	if !r.Events.IsZero() {
		// Events are in order of writing, which is nearly that of time: the oldest are first.
		gone, err = j.pruneBy(ctx, f, `DELETE FROM events WHERE id IN (SELECT id FROM events ORDER BY id LIMIT ?) AND at < ?`, nano(r.Events))
	}
	if err == nil && !r.Minutes.IsZero() {
		var n int64
		n, err = j.pruneMinutes(ctx, f, r.Minutes.Unix())
		gone += n
	}
	if err == nil {
		var n int64
		n, err = j.thin(ctx, f, &r)
		gone += n
	}
	if err == nil {
		err = j.move(f)
	}
	leave()
	if err != nil && err == ctx.Err() {
		return gone, err
	}
	return gone, j.failedAt(ctx, f, "to prune", err)
}

// pruneBy repeats a statement, whose arguments are how many rows to look at and those given, until it finds no more.
func (j *SQLite) pruneBy(ctx context.Context, f *file, query string, args ...any) (gone int64, err error) {
	args = append([]any{pruneStep}, args...)
	for {
		if err := ctx.Err(); err != nil {
			return gone, err
		}
		n, err := j.pruneOnce(f, query, args)
		gone += n
		if err != nil || n == 0 {
			return gone, err
		}
	}
}

func (j *SQLite) pruneOnce(f *file, query string, args []any) (int64, error) {
	j.gate.patient()
	defer j.gate.patientDone()
	s, err := f.quick.stmt(query)
	if err != nil {
		return 0, err
	}
	res, err := s.ExecContext(context.Background(), args...)
	if err != nil {
		return 0, err
	}
	n, err := res.RowsAffected()
	f.dirty.Add(n * 512)
	return n, err
}

func (j *SQLite) pruneMinutes(ctx context.Context, f *file, before int64) (gone int64, err error) {
	ids, err := f.chamberIDs(ctx)
	for _, id := range ids {
		if err != nil {
			break
		}
		var n int64
		n, err = j.pruneBy(ctx, f, `DELETE FROM minute_grains WHERE (chamber, at, series) IN (
			SELECT chamber, at, series FROM minute_grains WHERE chamber = ?3 AND at < ?2 LIMIT ?1)`, before, id)
		gone += n
	}
	return gone, err
}

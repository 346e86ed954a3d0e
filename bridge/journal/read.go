package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"strings"
	"time"

	"gillkeeper/policy"
)

// page is how many rows a query reads at once. Between pages nothing is held, so that a slow reader keeps neither the
// log from being moved nor a damaged file from being set aside.
const page = 500

// reading does fn on a connection for reading, in one view of the file. A file that cannot be opened because its disk is full or
// read-only is read all the same: what grows and what was learned must not be forgotten at a start on such a disk.
func (j *SQLite) reading(ctx context.Context, fn func(ctx context.Context, c *sql.Conn) error) error {
	f, leave, err := j.use(ctx)
	if err != nil {
		if !passing(err) {
			return err
		}
		v, bad := Look(ctx, j.path)
		if bad != nil {
			return err // what is the matter with the file, not with the look at it
		}
		return errors.Join(v.j.reading(ctx, fn), v.Close())
	}
	err = func() error {
		c, err := f.read.Conn(ctx)
		if err != nil {
			return err
		}
		defer c.Close()
		return fn(ctx, c)
	}()
	leave()
	if err != nil && ctx.Err() != nil {
		return ctx.Err()
	}
	return j.failedAt(ctx, f, "to read", err)
}

// Load implements [Journal].
func (j *SQLite) Load(ctx context.Context, chamber string) (l Loaded, err error) {
	err = j.reading(ctx, func(ctx context.Context, c *sql.Conn) error {
		l = Loaded{} // the first read of a transaction fixes the view for all
		if _, err := c.ExecContext(ctx, "BEGIN"); err != nil {
			return err
		}
		defer c.ExecContext(context.Background(), "COMMIT") //nolint:errcheck // nothing was written
		var at, sum int64
		var state string
		l.Saved.Chamber = chamber
		err := c.QueryRowContext(ctx, "SELECT seq, at, state, sum FROM snapshots WHERE chamber = ?", chamber).
			Scan(&l.Saved.Seq, &at, &state, &sum)
		switch {
		case errors.Is(err, sql.ErrNoRows):
			l.Saved, at = Saved{}, math.MinInt64
		case err != nil:
			return err
		case checksum(l.Saved.Seq, at, chamber, state) != sum:
			return damage("the snapshot of " + chamber + " fails its checksum")
		default:
			l.OK, l.Saved.At, l.Saved.State = true, fromNano(at), json.RawMessage(state)
		}
		if l.Actions, err = loadActions(ctx, c, "chamber = ? AND seq > ?", []any{chamber, l.Saved.Seq}, -1); err != nil {
			return err
		}
		l.Switches, err = readSwitches(ctx, c,
			"SELECT chamber, plug, state, at FROM switches WHERE chamber = ? AND at >= ? ORDER BY id", chamber, at)
		return err
	})
	if err != nil {
		return Loaded{}, err
	}
	return l, nil
}

// loadActions reads actions in order of seq; a limit of -1 is none.
func loadActions(ctx context.Context, c *sql.Conn, where string, args []any, limit int) (out []Acted, err error) {
	rows, err := c.QueryContext(ctx, "SELECT seq, id, chamber, at, kind, batch, body, sum FROM actions WHERE "+where+
		" ORDER BY seq LIMIT ?", append(args, limit)...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var a Acted
		var at, sum int64
		var id, kind, batch, body string
		if err := rows.Scan(&a.Seq, &id, &a.Chamber, &at, &kind, &batch, &body, &sum); err != nil {
			return nil, err
		}
		if checksum(a.Seq, at, id, a.Chamber, kind, batch, body) != sum {
			return nil, damage(fmt.Sprintf("action %d fails its checksum", a.Seq))
		}
		if err := json.Unmarshal([]byte(body), &a.Action); err != nil {
			return nil, fmt.Errorf("action %d: %w", a.Seq, err)
		}
		out = append(out, a)
	}
	return out, rows.Err()
}

// where puts conditions together.
type where struct {
	conds []string
	args  []any
}

func (w *where) and(cond string, args ...any) {
	w.conds = append(w.conds, cond)
	w.args = append(w.args, args...)
}

// among narrows a column to some words.
func among[S ~string](w *where, column string, words []S) {
	if len(words) == 0 {
		return
	}
	for _, s := range words {
		w.args = append(w.args, string(s))
	}
	w.conds = append(w.conds, column+" IN (?"+strings.Repeat(", ?", len(words)-1)+")")
}

func (w *where) between(from, to time.Time) {
	if !from.IsZero() {
		w.and("at >= ?", nano(from))
	}
	if !to.IsZero() {
		w.and("at < ?", nano(to))
	}
}

func (w *where) String() string {
	if len(w.conds) == 0 {
		return "1"
	}
	return strings.Join(w.conds, " AND ")
}

// Actions implements [Journal].
func (j *SQLite) Actions(ctx context.Context, q ActionQuery) iter.Seq2[Acted, error] {
	return func(yield func(Acted, error) bool) {
		for last, more := int64(0), true; more; {
			var w where
			w.and("seq > ?", last)
			if q.Chamber != "" {
				w.and("chamber = ?", q.Chamber)
			}
			if q.Batch != "" {
				w.and("batch = ?", q.Batch)
			}
			among(&w, "kind", q.Kinds)
			w.between(q.From, q.To)
			var got []Acted
			err := j.reading(ctx, func(ctx context.Context, c *sql.Conn) (err error) {
				got, err = loadActions(ctx, c, w.String(), w.args, page)
				return err
			})
			if err != nil {
				yield(Acted{}, err)
				return
			}
			for _, a := range got {
				last = a.Seq
				if !yield(a, nil) {
					return
				}
			}
			more = len(got) == page
		}
	}
}

// Events implements [Journal].
func (j *SQLite) Events(ctx context.Context, q EventQuery) iter.Seq2[Noted, error] {
	return func(yield func(Noted, error) bool) {
		if q.Chamber == "" {
			yield(Noted{}, errNoChamber)
			return
		}
		if q.Newest > 0 {
			got, err := j.events(ctx, &q, nil, "DESC", q.Newest)
			slices.Reverse(got)
			for _, r := range got {
				if !yield(r.Noted, nil) {
					return
				}
			}
			if err != nil {
				yield(Noted{}, err)
			}
			return
		}
		var last *eventRow
		for more := true; more; {
			got, err := j.events(ctx, &q, last, "ASC", page)
			if err != nil {
				yield(Noted{}, err)
				return
			}
			for i := range got {
				last = &got[i]
				if !yield(last.Noted, nil) {
					return
				}
			}
			more = len(got) == page
		}
	}
}

type eventRow struct {
	Noted
	id, at int64
}

// events reads one page of events that come after another one.
func (j *SQLite) events(ctx context.Context, q *EventQuery, after *eventRow, order string, limit int) (out []eventRow, err error) {
	var w where
	w.and("chamber = ?", q.Chamber)
	w.between(q.From, q.To)
	among(&w, "kind", q.Kinds)
	if q.Plug != "" {
		w.and("plug = ?", q.Plug)
	}
	if after != nil {
		w.and("(at, id) > (?, ?)", after.at, after.id)
	}
	err = j.reading(ctx, func(ctx context.Context, c *sql.Conn) error {
		out = nil
		rows, err := c.QueryContext(ctx, "SELECT id, at, kind, plug, body FROM events WHERE "+w.String()+
			" ORDER BY at "+order+", id "+order+" LIMIT ?", append(w.args, limit)...)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var kind, plug, body string
			r := eventRow{Noted: Noted{Chamber: q.Chamber}}
			err := rows.Scan(&r.id, &r.at, &kind, &plug, &body)
			if err != nil {
				return err
			}
			if r.Event, err = unpacked(body, r.at, kind, plug); err != nil {
				return fmt.Errorf("event %d: %w", r.id, err)
			}
			out = append(out, r)
		}
		return rows.Err()
	})
	return out, err
}

// LastSwitches implements [Journal].
func (j *SQLite) LastSwitches(ctx context.Context, chamber string, at time.Time) (out []policy.Event, err error) {
	err = j.reading(ctx, func(ctx context.Context, c *sql.Conn) error {
		out = nil
		// The names of the plugs come from jumps over the index, so that a long history costs nothing.
		rows, err := c.QueryContext(ctx, `
			WITH RECURSIVE plugs (plug) AS (
				SELECT min(plug) FROM events WHERE kind = 'plug_switched' AND chamber = ?1
				UNION ALL
				SELECT (SELECT min(plug) FROM events WHERE kind = 'plug_switched' AND chamber = ?1 AND plug > plugs.plug)
				FROM plugs WHERE plugs.plug IS NOT NULL)
			SELECT e.at, e.kind, e.plug, e.body FROM plugs JOIN events e ON e.id = (
				SELECT id FROM events WHERE kind = 'plug_switched' AND chamber = ?1 AND plug = plugs.plug AND at <= ?2
				ORDER BY at DESC, id DESC LIMIT 1)
			ORDER BY e.plug`, chamber, nano(at))
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var at int64
			var kind, plug, body string
			if err := rows.Scan(&at, &kind, &plug, &body); err != nil {
				return err
			}
			e, err := unpacked(body, at, kind, plug)
			if err != nil {
				return fmt.Errorf("an event of %s: %w", chamber, err)
			}
			out = append(out, e)
		}
		return rows.Err()
	})
	return out, err
}

// History implements [Journal].
func (j *SQLite) History(ctx context.Context, q HistoryQuery) iter.Seq2[Minute, error] {
	return func(yield func(Minute, error) bool) {
		if err := q.check(); err != nil {
			yield(Minute{}, err)
			return
		}
		if q.Step > Span {
			j.widely(ctx, &q, yield)
			return
		}
		g := merger{step: q.Step}
		var last *minuteRow
		for more := true; more; {
			got, err := j.minutes(ctx, &q, last)
			if err != nil {
				yield(Minute{}, err)
				return
			}
			for i := range got {
				last = &got[i]
				for _, m := range g.add(last.Minute) {
					if !yield(m, nil) {
						return
					}
				}
			}
			more = len(got) == page
		}
		for _, m := range g.end() {
			if !yield(m, nil) {
				return
			}
		}
	}
}

type minuteRow struct {
	Minute
	at, series int64
}

// series narrows a question about series, called s, to those that a query asks for.
func (q *HistoryQuery) series(w *where) {
	if q.Place != "" {
		w.and("s.place = ?", q.Place)
	}
	if q.Quantity != "" {
		w.and("s.quantity = ?", q.Quantity)
	}
	for _, place := range q.Without {
		w.and("s.place <> ?", place)
	}
}

// minutes reads one page of aggregates that come after another one.
func (j *SQLite) minutes(ctx context.Context, q *HistoryQuery, after *minuteRow) (out []minuteRow, err error) {
	var w where
	w.and("g.chamber = (SELECT id FROM chambers WHERE name = ?)", q.Chamber)
	if !q.From.IsZero() {
		w.and("g.at >= ?", ceilSecond(q.From))
	}
	if !q.To.IsZero() {
		w.and("g.at < ?", ceilSecond(q.To))
	}
	q.series(&w)
	if after != nil {
		w.and("(g.at, g.series) > (?, ?)", after.at, after.series)
	}
	err = j.reading(ctx, func(ctx context.Context, c *sql.Conn) error {
		out = nil
		rows, err := c.QueryContext(ctx, `SELECT g.at, g.series, g.span, g.mean, g.min, g.max, g.n, g.tenths, s.place, s.quantity, s.per_unit
			FROM minute_grains g CROSS JOIN series s ON s.id = g.series WHERE `+w.String()+" ORDER BY g.at, g.series LIMIT ?",
			append(w.args, page)...)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var span int64
			var mean, low, high, tenths, per float64
			r := minuteRow{Minute: Minute{Chamber: q.Chamber}}
			if err := rows.Scan(&r.at, &r.series, &span, &mean, &low, &high, &r.N, &tenths, &r.Place, &r.Quantity, &per); err != nil {
				return err
			}
			r.Start, r.Span = time.Unix(r.at, 0).UTC(), time.Duration(span)*time.Second
			r.Mean, r.Min, r.Max, r.Seconds = mean/per, low/per, high/per, tenths/secondsPerUnit
			out = append(out, r)
		}
		return rows.Err()
	})
	return out, err
}

// ceilSecond is the first whole second at or after t, since 1970.
func ceilSecond(t time.Time) int64 {
	if t.Nanosecond() > 0 {
		return t.Unix() + 1
	}
	return t.Unix()
}

// Latest implements [Journal].
func (j *SQLite) Latest(ctx context.Context) (t time.Time, err error) {
	err = j.reading(ctx, func(ctx context.Context, c *sql.Conn) error {
		var at, sec sql.NullInt64
		// Of events and actions only the last written are looked at: time goes on, but for a clock that was set back.
		if err := c.QueryRowContext(ctx, `SELECT max(at) FROM (
			SELECT at FROM snapshots
			UNION ALL SELECT at FROM switches
			UNION ALL SELECT at FROM (SELECT at FROM actions ORDER BY seq DESC LIMIT 10000)
			UNION ALL SELECT at FROM (SELECT at FROM events ORDER BY id DESC LIMIT 10000))`).Scan(&at); err != nil {
			return err
		}
		if err := c.QueryRowContext(ctx, `SELECT max((SELECT max(at) FROM minute_grains g WHERE g.chamber = c.id)) FROM chambers c`).
			Scan(&sec); err != nil {
			return err
		}
		if t = fromNano(at.Int64); sec.Valid && time.Unix(sec.Int64, 0).After(t) {
			t = time.Unix(sec.Int64, 0).UTC()
		}
		return nil
	})
	return t, err
}

func (f *file) chamberIDs(ctx context.Context) (ids []int64, err error) {
	rows, err := f.read.QueryContext(ctx, "SELECT id FROM chambers ORDER BY id")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var id int64
		if err := rows.Scan(&id); err != nil {
			return nil, err
		}
		ids = append(ids, id)
	}
	return ids, rows.Err()
}

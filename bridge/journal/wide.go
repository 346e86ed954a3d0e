package journal

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"slices"
	"strings"
	"time"
)

// A history over a step is put together by the database, a stretch of time at once: a year has millions of minutes, and
// to hand each of them over takes several times as long as to add it up where it lies.

// wideRows is about how many minutes a stretch holds for each series.
const wideRows = 24 * 60

// mostSeries is above every number of a series.
const mostSeries = int64(1) << 32

// wideStretch is the length of a stretch in seconds, a whole number of steps.
func wideStretch(step int64) int64 {
	return max(step, (wideRows*60)/step*step)
}

// wide gives the buckets of one stretch that begins at from (seconds since 1970, a multiple of the step), before to, in
// order of time, place and quantity, and where the next stretch with anything in it begins; more is false after the last.
func (j *SQLite) wide(ctx context.Context, q *HistoryQuery, from, to int64) (out []Minute, next int64, more bool, err error) {
	step := int64(q.Step / time.Second)
	err = j.reading(ctx, func(ctx context.Context, c *sql.Conn) error {
		out, next, more = nil, 0, false
		var chamber int64
		known, err := wideSeries(ctx, c, q, &chamber)
		if err != nil || len(known) == 0 {
			return err
		}
		end := min(from+wideStretch(step), to)
		if out, err = wideBuckets(ctx, c, q, known, chamber, from, end); err != nil {
			return err
		}
		var at sql.NullInt64
		if err := c.QueryRowContext(ctx, "SELECT min(at) FROM minute_grains WHERE chamber = ? AND at >= ?", chamber, end).Scan(&at); err != nil {
			return err
		}
		if more = at.Valid && at.Int64 < to; more {
			next = at.Int64 - floorMod(at.Int64, step)
		}
		return nil
	})
	return out, next, more, err
}

func floorMod(a, b int64) int64 { return ((a % b) + b) % b }

// wideOne is what is known of a series beforehand.
type wideOne struct {
	Minute
	perUnit float64
}

// wideSeries finds the series that a query asks for.
func wideSeries(ctx context.Context, c *sql.Conn, q *HistoryQuery, chamber *int64) (map[int64]wideOne, error) {
	var w where
	w.and("c.name = ?", q.Chamber)
	q.series(&w)
	rows, err := c.QueryContext(ctx, "SELECT s.id, s.chamber, s.place, s.quantity, s.per_unit FROM series s JOIN chambers c ON c.id = s.chamber WHERE "+w.String(), w.args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	known := map[int64]wideOne{}
	for rows.Next() {
		var id int64
		m := wideOne{Minute: Minute{Chamber: q.Chamber}}
		if err := rows.Scan(&id, chamber, &m.Place, &m.Quantity, &m.perUnit); err != nil {
			return nil, err
		}
		known[id] = m
	}
	return known, rows.Err()
}

// wideBuckets adds one stretch up.
func wideBuckets(ctx context.Context, c *sql.Conn, q *HistoryQuery, known map[int64]wideOne, chamber, from, end int64) (out []Minute, err error) {
	step := int64(q.Step / time.Second)
	only := ""
	if q.Place != "" || q.Quantity != "" || len(q.Without) > 0 {
		var ids []string
		for id := range known {
			ids = append(ids, fmt.Sprint(id))
		}
		only = " AND g.series IN (" + strings.Join(ids, ", ") + ")"
	}
	low := from
	if !q.From.IsZero() {
		low = max(from, ceilSecond(q.From))
	}
	// One whole number for bucket and series sorts faster than two; a stretch has few steps.
	rows, err := c.QueryContext(ctx, `SELECT (g.at - ?6) / ?1 * ?5 + g.series AS both, max(g.span), count(*), sum(g.n),
			total(g.mean * g.n), total(g.mean), min(g.min), max(g.max), sum(g.tenths)
		FROM minute_grains g WHERE g.chamber = ?2 AND g.at >= ?3 AND g.at < ?4`+only+` GROUP BY both`, step, chamber, low, end, mostSeries, from)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	first := 0 // of the bucket at hand
	for rows.Next() {
		var both, span, n, count int64
		var weighted, plain, low, high, tenths float64
		if err := rows.Scan(&both, &span, &count, &n, &weighted, &plain, &low, &high, &tenths); err != nil {
			return nil, err
		}
		m, per := known[both%mostSeries].Minute, known[both%mostSeries].perUnit
		m.Start = time.Unix(both/mostSeries*step+from, 0).UTC()
		m.Span, m.N = time.Duration(max(span, step))*time.Second, int(n)
		m.Mean, m.Min, m.Max, m.Seconds = plain/float64(count)/per, low/per, high/per, tenths/secondsPerUnit
		if n > 0 && count > 1 {
			m.Mean = weighted / float64(n) / per
		}
		if len(out) > first && !out[first].Start.Equal(m.Start) {
			inOrder(out[first:])
			first = len(out)
		}
		out = append(out, m)
	}
	inOrder(out[first:])
	return out, rows.Err()
}

// inOrder sorts one bucket by place and quantity.
func inOrder(ms []Minute) {
	slices.SortFunc(ms, func(a, b Minute) int {
		return cmp.Or(strings.Compare(a.Place, b.Place), strings.Compare(a.Quantity, b.Quantity))
	})
}

// widely is History over a step.
func (j *SQLite) widely(ctx context.Context, q *HistoryQuery, yield func(Minute, error) bool) {
	step := int64(q.Step / time.Second)
	from, to := int64(-1<<62), int64(1<<62)
	if !q.To.IsZero() {
		to = ceilSecond(q.To)
	}
	if !q.From.IsZero() {
		from = ceilSecond(q.From)
	} else if from = j.firstMinute(ctx, q.Chamber); from == none {
		return
	}
	from -= floorMod(from, step)
	for more := true; more; {
		var got []Minute
		var err error
		if got, from, more, err = j.wide(ctx, q, from, to); err != nil {
			yield(Minute{}, err)
			return
		}
		for i := range got {
			if !yield(got[i], nil) {
				return
			}
		}
	}
}

// none says that there is no minute.
const none = int64(-1 << 62)

// firstMinute is when the history of a chamber begins. What keeps it from being read shows again right after.
func (j *SQLite) firstMinute(ctx context.Context, chamber string) int64 {
	at := sql.NullInt64{}
	err := j.reading(ctx, func(ctx context.Context, c *sql.Conn) error {
		return c.QueryRowContext(ctx, "SELECT min(at) FROM minute_grains WHERE chamber = (SELECT id FROM chambers WHERE name = ?)", chamber).Scan(&at)
	})
	switch {
	case err != nil:
		return 0
	case !at.Valid:
		return none
	}
	return at.Int64
}

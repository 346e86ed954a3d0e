package journal

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"time"
)

// Older history is kept coarser: minutes are put together to ten of them, and those to hours, as [HistoryQuery.Step]
// would. Each stretch is done whole or not at all, and where the next begins is written down with it.

// thinning is one step of it.
type thinning struct {
	width   time.Duration // to which it puts together
	stretch time.Duration // done at once; as long as a short transaction allows
}

var thinnings = []thinning{{10 * time.Minute, 30 * time.Minute}, {time.Hour, 2 * time.Hour}}

// before gives the moment before which aggregates are put together to a width.
func (r *Retention) before(width time.Duration) time.Time {
	if width == time.Hour {
		return r.ByHour
	}
	return r.ByTen
}

func (j *SQLite) thin(ctx context.Context, f *file, r *Retention) (gone int64, err error) {
	ids, err := f.chamberIDs(ctx)
	if err != nil {
		return 0, err
	}
	for _, t := range thinnings {
		if r.before(t.width).IsZero() {
			continue
		}
		until := r.before(t.width).Unix()
		until -= floorMod(until, int64(t.stretch/time.Second))
		for _, id := range ids {
			n, err := j.thinChamber(ctx, f, id, t, until)
			gone += n
			if err != nil {
				return gone, err
			}
		}
	}
	return gone, nil
}

// thinChamber goes on where it ended last time.
func (j *SQLite) thinChamber(ctx context.Context, f *file, chamber int64, t thinning, until int64) (gone int64, err error) {
	key := fmt.Sprintf("thinned %d %d", int64(t.width/time.Second), chamber)
	for {
		if err := ctx.Err(); err != nil {
			return gone, err
		}
		n, more, err := j.thinStretch(f, chamber, t, key, until)
		gone += n
		if err != nil || !more {
			return gone, err
		}
		if err := j.move(f); err != nil {
			return gone, err
		}
	}
}

// thinStretch does the next stretch that holds anything. It says by how many rows there are fewer.
func (j *SQLite) thinStretch(f *file, chamber int64, t thinning, key string, until int64) (gone int64, more bool, err error) {
	j.gate.patient()
	defer j.gate.patientDone()
	w := &f.quick
	err = w.tx(func() error {
		var text string
		from := none
		if found, err := w.row("SELECT value FROM meta WHERE key = ?", []any{key}, &text); err != nil {
			return err
		} else if found {
			if from, err = strconv.ParseInt(text, 10, 64); err != nil {
				return damage("its mark " + strconv.Quote(key) + " is " + strconv.Quote(text))
			}
		}
		var first int64
		found, err := w.row("SELECT at FROM minute_grains WHERE chamber = ? AND at >= ? AND at < ? ORDER BY at LIMIT 1", []any{chamber, from, until}, &first)
		if err != nil || !found {
			return err
		}
		more = true
		length := int64(t.stretch / time.Second)
		first -= floorMod(first, length)
		if gone, err = f.putTogether(chamber, first, first+length, int64(t.width/time.Second)); err != nil {
			return err
		}
		return w.exec("INSERT OR REPLACE INTO meta VALUES (?, ?)", key, strconv.FormatInt(first+length, 10))
	})
	if err != nil {
		return 0, false, err
	}
	return gone, more, nil
}

// putTogether replaces the aggregates of a stretch that are no wider than width by those of that width.
func (f *file) putTogether(chamber, from, to, width int64) (gone int64, err error) {
	w := &f.quick
	if err := w.exec("CREATE TEMP TABLE IF NOT EXISTS thin (chamber, at, series, span, mean, min, max, n, tenths)"); err != nil {
		return 0, err
	}
	count := func() (n int64, err error) {
		_, err = w.row("SELECT count(*) FROM minute_grains WHERE chamber = ? AND at >= ? AND at < ?", []any{chamber, from, to}, &n)
		return n, err
	}
	before, err := count()
	if err != nil {
		return 0, err
	}
	for _, x := range []struct {
		statement string
		args      []any
	}{
		{"DELETE FROM temp.thin", nil},
		// A mean is weighted by what it rests on, as in every step; where that is nothing, the plain mean counts.
		{`INSERT INTO temp.thin SELECT ?1, g.at - ((g.at % ?4) + ?4) % ?4 AS bucket, g.series, ?4,
			CAST(round(CASE WHEN sum(g.n) > 0 THEN total(1.0 * g.mean * g.n) / sum(g.n) ELSE avg(g.mean) END) AS INTEGER),
			min(g.min), max(g.max), sum(g.n), sum(g.tenths)
			FROM minute_grains g WHERE g.chamber = ?1 AND g.at >= ?2 AND g.at < ?3 AND g.span <= ?4 GROUP BY bucket, g.series`,
			[]any{chamber, from, to, width}},
		{"DELETE FROM minute_grains WHERE chamber = ?1 AND at >= ?2 AND at < ?3 AND span <= ?4", []any{chamber, from, to, width}},
		{"INSERT OR IGNORE INTO minute_grains SELECT * FROM temp.thin", nil},
	} {
		if err := w.exec(x.statement, x.args...); err != nil {
			return 0, err
		}
	}
	after, err := count()
	f.dirty.Add(before * 64)
	return before - after, err
}

// thin puts older aggregates together.
func (m *Memory) thin(r *Retention) (gone int64) {
	for _, t := range thinnings {
		if r.before(t.width).IsZero() {
			continue
		}
		until := r.before(t.width).Unix()
		until -= floorMod(until, int64(t.stretch/time.Second))
		for s, rows := range m.minutes {
			g := merger{step: t.width}
			var kept []Minute
			for _, at := range slices.Sorted(maps.Keys(rows)) {
				v := rows[at]
				if at >= until || v.Span > t.width {
					continue
				}
				kept = append(kept, g.add(v)...)
				delete(rows, at)
				gone++
			}
			for _, v := range append(kept, g.end()...) {
				v = v.settled()
				rows[v.Start.Unix()] = v
				gone--
			}
			m.minutes[s] = rows
		}
	}
	return gone
}

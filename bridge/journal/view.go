package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"slices"

	"github.com/maruel/natural"
	sqlite3 "modernc.org/sqlite/lib"
)

// Source is what can be asked for the past: a journal, its owner, or a look into one.
type Source interface {
	History(ctx context.Context, q HistoryQuery) iter.Seq2[Minute, error]
	Actions(ctx context.Context, q ActionQuery) iter.Seq2[Acted, error]
	Events(ctx context.Context, q EventQuery) iter.Seq2[Noted, error]
}

// View reads a journal without having it: a daemon may be running on it, or the file may lie on a disk that cannot be
// written. It never changes, moves or repairs anything.
type View struct {
	j *SQLite
}

// Look opens a journal for reading only. Errors: no such file, a file that is no journal, one of a newer program
// ([ErrNewer]) or of an older one that was never opened by this.
func Look(ctx context.Context, path string) (*View, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("journal: %s: %w", path, err)
	}
	if info, err := os.Stat(abs); errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("journal: there is no file %s; name the journal's, as [journal] path in the configuration does", path)
	} else if err != nil {
		return nil, fmt.Errorf("journal: %w", err)
	} else if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("journal: %s is not a file; name a file", path)
	}
	if f, err := os.Open(abs); err != nil {
		return nil, fmt.Errorf("journal: %s cannot be read: %w; see who may read it", path, errors.Unwrap(err))
	} else if err := f.Close(); err != nil {
		return nil, fmt.Errorf("journal: %w", err)
	}
	v, err := lookInto(ctx, abs, "")
	// Beside a journal that nobody has open SQLite makes its files of shared memory, where it may. Where it may not and no log of
	// writes waits, the one file is all there is.
	if c := code(err); (c == sqlite3.SQLITE_READONLY || c == sqlite3.SQLITE_CANTOPEN) && size(abs+"-wal") == 0 {
		v, err = lookInto(ctx, abs, "&immutable=1")
	}
	if err != nil {
		if isDamage(err) {
			err = fmt.Errorf("it is no journal, or damaged (%w)", err)
		}
		return nil, fmt.Errorf("journal: %s cannot be read: %w", path, err)
	}
	return v, nil
}

// lookInto opens the file with more of SQLite's words, and sees that it is a journal.
func lookInto(ctx context.Context, abs, more string) (*View, error) {
	db, err := connect(abs, "NORMAL", 2, "&mode=ro&_pragma=query_only(1)"+more)
	if err != nil {
		return nil, err
	}
	v := &View{j: &SQLite{path: abs, looks: true, f: &file{path: abs, read: db}}}
	if err := v.known(ctx); err != nil {
		return nil, errors.Join(err, v.Close())
	}
	return v, nil
}

// known says whether the file is a journal of today's schema.
func (v *View) known(ctx context.Context) error {
	c, err := v.j.f.read.Conn(ctx)
	if err != nil {
		return err
	}
	defer c.Close()
	got, err := version(ctx, c)
	switch {
	case err != nil:
		return err
	case got == 0:
		return errors.New("it is empty")
	case got < len(migrations):
		return errors.New("it was made by an older gillkeeper; start the daemon of this version on it once")
	}
	return nil
}

// History is that of [Journal].
func (v *View) History(ctx context.Context, q HistoryQuery) iter.Seq2[Minute, error] {
	return v.j.History(ctx, q)
}

// Actions is that of [Journal].
func (v *View) Actions(ctx context.Context, q ActionQuery) iter.Seq2[Acted, error] {
	return v.j.Actions(ctx, q)
}

// Events is that of [Journal].
func (v *View) Events(ctx context.Context, q EventQuery) iter.Seq2[Noted, error] {
	return v.j.Events(ctx, q)
}

// Snapshots gives the last snapshot of every chamber, in order of names; numbers in them count as numbers.
func (v *View) Snapshots(ctx context.Context) (out []Saved, err error) {
	err = v.j.reading(ctx, func(ctx context.Context, c *sql.Conn) error {
		out = nil
		rows, err := c.QueryContext(ctx, selectSnapshots)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			s, sound, err := scanSnapshot(rows)
			if err != nil {
				return err
			}
			if !sound {
				return damage("the snapshot of " + s.Chamber + " fails its checksum")
			}
			out = append(out, s)
		}
		return rows.Err()
	})
	slices.SortFunc(out, func(a, b Saved) int { return natural.Compare(a.Chamber, b.Chamber) })
	return out, err
}

// Close ends it.
func (v *View) Close() error {
	v.j.mu.Lock()
	defer v.j.mu.Unlock()
	v.j.closed = true
	return v.j.f.read.Close()
}

package journal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"gillkeeper/policy"

	sqlite3 "modernc.org/sqlite/lib"
)

// SQLite is a journal in one file, see the package's paragraph on its layout.
type SQLite struct {
	path  string
	looks bool // only a view looks on: nothing is ever set aside or begun again
	gate  gate

	mu     sync.RWMutex // held for reading while f is used, for writing to change what follows
	f      *file        // nil: the file cannot be opened at present
	mirror *mirror
	closed bool
	high   int64 // highest Seq known, also across a fresh file
	tried  time.Time
	failed error  // why f is nil
	begun  int    // how often the file was begun anew
	again  bool   // it is to be
	aside  string // where the file before was set aside the last time; "": somebody had taken it away

	checking sync.Mutex // one at a time moves the log into the database
}

var _ Journal = (*SQLite)(nil)

// Opened says what happened when a journal was opened; the zero value means that nothing was out of the ordinary.
// Everything in it is for people to be told.
type Opened struct {
	// SetAside is the new name of a damaged or foreign file; "" when the file was good.
	SetAside string
	// Why it was set aside.
	Why string
	// Actions and Chambers say how many actions and snapshots were saved out of the damaged file and the second copy
	// of actions. Events and history stay in the file that was set aside.
	Actions, Chambers int
	// BadLines counts lines of the second copy of actions that failed their checksum; that copy was set aside as
	// LinesAside and written anew. Nothing is lost by them while the database is good.
	BadLines   int
	LinesAside string
	// Failing is why the file cannot be used at present (disk full, read-only): every operation returns that until
	// it can be opened, which is tried again by itself.
	Failing error
}

// tryAgain is how often a file that cannot be opened is tried again.
const tryAgain = time.Second

// Open opens or makes the journal at path. The folder must exist. A damaged or foreign file is set aside and a fresh
// one begun with what could be saved; a disk that is full or read-only is no error here but Opened.Failing. Errors:
// [ErrLocked], [ErrNewer], a folder that is not there.
func Open(ctx context.Context, path string) (*SQLite, Opened, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, Opened{}, fmt.Errorf("journal: %s: %w", path, err)
	}
	if info, err := os.Stat(filepath.Dir(abs)); err != nil || !info.IsDir() {
		return nil, Opened{}, fmt.Errorf("journal: the folder %s does not exist; make it first", filepath.Dir(abs))
	}
	if info, err := os.Stat(abs); err == nil && !info.Mode().IsRegular() {
		return nil, Opened{}, fmt.Errorf("journal: %s is not a file; name a file", abs)
	}
	j := &SQLite{path: abs}
	opened, err := j.open(ctx)
	if err != nil && !passing(err) {
		return nil, opened, errors.Join(j.fail("open", err), j.closeMirror())
	}
	if err != nil {
		opened.Failing = j.fail("open", err)
		j.failed, j.tried = opened.Failing, time.Now()
	}
	return j, opened, nil
}

// passing reports whether an error may go away by itself or by somebody's making room.
func passing(err error) bool {
	switch code(err) {
	case sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM,
		sqlite3.SQLITE_BUSY, sqlite3.SQLITE_NOMEM, sqlite3.SQLITE_PROTOCOL, sqlite3.SQLITE_LOCKED:
		return true
	}
	_, ok := errors.AsType[syscall.Errno](err)
	return ok && !errors.Is(err, ErrLocked)
}

// open opens the lines and the database, sets a damaged one aside and makes both copies of actions equal. The caller
// holds mu or is alone.
func (j *SQLite) open(ctx context.Context) (opened Opened, err error) {
	lines, bad, err := j.openMirror()
	if err != nil {
		return opened, err
	}
	opened.BadLines = bad
	f, err := openFile(ctx, j.path)
	var got salvage
	if isDamage(err) {
		opened.Why = err.Error()
		if d, ok := errors.AsType[*damaged](err); ok {
			opened.Why = d.why
		}
		got = salvageFrom(ctx, j.path)
		if opened.SetAside, err = setAside(j.path, time.Now()); err != nil {
			return opened, err
		}
		j.again, j.aside = true, opened.SetAside
		f, err = openFile(ctx, j.path)
	}
	if err != nil {
		return opened, err
	}
	if err := j.settle(ctx, f, lines, got, &opened); err != nil {
		return opened, errors.Join(err, f.close())
	}
	if j.f, j.failed = f, nil; j.again {
		j.again, j.begun = false, j.begun+1
	}
	return opened, nil
}

// openMirror opens the lines where that is still to do and reads them. Lines that somebody took away while they were
// open are taken over into the new file.
func (j *SQLite) openMirror() (lines []mirrorLine, bad int, err error) {
	var old []mirrorLine
	if j.mirror != nil && !j.mirror.there() {
		old, _, _ = j.mirror.read()
		j.mirror.close()
		j.mirror = nil
	}
	if j.mirror == nil {
		if j.mirror, err = openMirror(j.path); err != nil {
			return nil, 0, err
		}
	}
	if lines, bad, err = j.mirror.read(); err == nil && len(lines) == 0 {
		err = j.mirror.append(old)
		lines = old
	}
	return lines, bad, err
}

// settle puts what was salvaged into the file, and makes the two copies of actions equal.
func (j *SQLite) settle(ctx context.Context, f *file, lines []mirrorLine, got salvage, opened *Opened) error {
	n := 0
	err := f.sure.tx(func() error {
		for _, l := range append(lines, got.actions...) {
			added, err := f.restore(l)
			if err != nil {
				return err
			}
			if added {
				n++
			}
		}
		for i := range got.snaps {
			if err := f.save(&f.sure, &got.snaps[i]); err != nil {
				return err
			}
		}
		for _, w := range got.switches {
			if err := f.switched(&f.sure, w); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	opened.Actions, opened.Chambers = n, len(got.snaps)
	f.seq = max(f.seq, j.high, j.mirror.last)
	j.high = f.seq
	all, _, err := readActions(ctx, f.quick.conn)
	if err != nil {
		return err
	}
	have := make(map[int64]bool, len(lines))
	for _, l := range lines {
		have[l.Seq] = true
	}
	if opened.BadLines > 0 {
		aside := unused(mirrorPath(j.path), time.Now())
		fresh, err := j.mirror.renew(j.path, all, aside)
		if err != nil {
			return err
		}
		j.mirror, opened.LinesAside = fresh, aside
		return nil
	}
	var missing []mirrorLine
	for _, l := range all {
		if !have[l.Seq] {
			missing = append(missing, l)
		}
	}
	return j.mirror.append(missing)
}

// restore puts an action that is missing from the database back into it.
func (f *file) restore(l mirrorLine) (added bool, err error) {
	var a policy.Action
	if err := json.Unmarshal(l.Action, &a); err != nil {
		return false, nil // of a newer program; it stays among the lines
	}
	var seq int64
	if found, err := f.sure.row("SELECT seq FROM actions WHERE id = ? OR seq = ?", []any{a.ID, l.Seq}, &seq); found || err != nil {
		return false, err
	}
	f.seq = max(f.seq, l.Seq)
	return true, f.act(l.Seq, l.Chamber, &a, string(l.Action))
}

// BegunAnew says how often the file had to be begun anew since the journal was opened, that included, because it was damaged or had been
// taken away; and where the damaged one was set aside the last time, "" when it was gone.
func (j *SQLite) BegunAnew() (times int, aside string) {
	j.mu.RLock()
	defer j.mu.RUnlock()
	return j.begun, j.aside
}

// use gives the open file, for as long as leave is not called.
func (j *SQLite) use(ctx context.Context) (f *file, leave func(), err error) {
	if err := ctx.Err(); err != nil {
		return nil, nil, err
	}
	j.mu.RLock()
	if j.closed {
		j.mu.RUnlock()
		return nil, nil, ErrClosed
	}
	if j.f != nil {
		return j.f, j.mu.RUnlock, nil
	}
	j.mu.RUnlock()
	if err := j.reopen(ctx); err != nil {
		return nil, nil, err
	}
	return j.use(ctx)
}

// reopen tries to open a file that could not be opened, now and then.
func (j *SQLite) reopen(ctx context.Context) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	switch {
	case j.closed:
		return ErrClosed
	case j.f != nil:
		return nil
	case time.Since(j.tried) < tryAgain:
		return j.failed
	}
	j.tried = time.Now()
	if _, err := j.open(context.WithoutCancel(ctx)); err != nil {
		j.failed = j.fail("open", err)
		return j.failed
	}
	return nil
}

// failedAt ends an operation that failed on f: it words the error, and when the file turned out damaged or gone it
// closes it and begins a fresh one at once.
func (j *SQLite) failedAt(ctx context.Context, f *file, op string, err error) error {
	if err == nil {
		return nil
	}
	if !isDamage(err) || j.looks {
		return j.fail(op, err)
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.closed || j.f != f {
		return j.fail(op, err)
	}
	j.f = nil
	j.high = max(j.high, f.seq)
	if !f.there() {
		j.again, j.aside = true, ""
	}
	closing := f.close()
	j.tried = time.Now()
	opened, again := j.open(context.WithoutCancel(ctx))
	if again != nil {
		j.failed = j.fail("open", errors.Join(again, closing))
		return j.failed
	}
	what := "begun again"
	if opened.SetAside != "" {
		what = "set aside as " + opened.SetAside
	}
	return fmt.Errorf("journal: %s %s failed, it is %s; save every chamber: %w", op, j.path, what, err)
}

// fail words an error of the store: what, where, what to do.
func (j *SQLite) fail(op string, err error) error {
	todo := ""
	switch c := code(err); {
	case c == sqlite3.SQLITE_FULL || errors.Is(err, syscall.ENOSPC):
		todo = "; make room on its disk"
	case errors.Is(err, syscall.EROFS): // rights would not help
		todo = "; its disk is mounted read-only: look at the disk, and mount it for writing"
	case c == sqlite3.SQLITE_READONLY || c == sqlite3.SQLITE_CANTOPEN || c == sqlite3.SQLITE_PERM ||
		errors.Is(err, fs.ErrPermission):
		todo = "; let the daemon write into its folder"
	case c == sqlite3.SQLITE_BUSY:
		todo = "; end the other program that holds it"
	case c == sqlite3.SQLITE_IOERR:
		todo = "; look at its disk"
	}
	return fmt.Errorf("journal: %s %s failed%s: %w", op, j.path, todo, err)
}

// Close implements [Journal].
func (j *SQLite) Close() error {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.closed {
		return nil
	}
	j.closed = true
	err := errors.Join(j.f.close(), j.closeMirror())
	j.f = nil
	return err
}

func (j *SQLite) closeMirror() error {
	if j.mirror == nil {
		return nil
	}
	return j.mirror.close()
}

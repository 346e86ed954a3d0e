package journal

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// damaged says that the file cannot be trusted, and why.
type damaged struct{ why string }

func (d *damaged) Error() string { return "journal: the file is damaged: " + d.why }

func damage(why string) error { return &damaged{why} }

// code gives SQLite's primary result code of an error; 0: it is not SQLite's.
func code(err error) int {
	if e, ok := errors.AsType[*sqlite.Error](err); ok {
		return e.Code() & 0xff
	}
	return 0
}

// isDamage reports whether the error says that the file's content is broken.
func isDamage(err error) bool {
	if _, ok := errors.AsType[*damaged](err); ok {
		return true
	}
	c := code(err)
	return c == sqlite3.SQLITE_CORRUPT || c == sqlite3.SQLITE_NOTADB
}

// suffixes of the files that make up one database.
var suffixes = []string{"", "-wal", "-shm"}

func size(path string) int64 {
	info, err := os.Stat(path)
	if err != nil {
		return 0
	}
	return info.Size()
}

// lookAt makes the file when there is none, and looks for damage when there is one, without changing it.
func lookAt(ctx context.Context, path string) error {
	if size(path) == 0 {
		if size(path+"-wal") > 0 {
			// SQLite would throw the log away.
			return damage("it is empty, but its write-ahead log is not")
		}
		f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
		if err != nil {
			return err
		}
		return errors.Join(f.Close(), syncFolder(filepath.Dir(path)))
	}
	if err := checkHeader(path); err != nil {
		return err
	}
	db, err := connect(path, "NORMAL", 1, "&mode=ro")
	if err != nil {
		return err
	}
	defer db.Close()
	c, err := db.Conn(ctx)
	if err != nil {
		return err
	}
	defer c.Close()
	v, err := version(ctx, c)
	if err != nil || v == 0 {
		return err
	}
	for _, q := range []string{"PRAGMA quick_check(1)", "PRAGMA integrity_check('actions')", "PRAGMA integrity_check('snapshots')"} {
		var word string
		if err := c.QueryRowContext(ctx, q).Scan(&word); err != nil {
			return err
		}
		if word != "ok" {
			return damage(word)
		}
	}
	return errors.Join(checkRows(ctx, c, readActions), checkRows(ctx, c, readSnapshots))
}

// checkHeader looks at the first bytes: https://www.sqlite.org/fileformat2.html §1.3.
func checkHeader(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	head := make([]byte, 16)
	if _, err := io.ReadFull(f, head); err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
		return err
	}
	if !bytes.Equal(head, []byte("SQLite format 3\x00")) {
		return damage("it does not begin like a database")
	}
	return nil
}

// NoDatabase reports whether [Open] would set the file at path aside at its first bytes: something is in it, and it is no database.
func NoDatabase(path string) bool { return size(path) > 0 && isDamage(checkHeader(path)) }

// checkRows says how many rows fail their checksum.
func checkRows[T any](ctx context.Context, c *sql.Conn, read func(context.Context, *sql.Conn) ([]T, int, error)) error {
	_, bad, err := read(ctx, c)
	if err == nil && bad > 0 {
		err = damage(fmt.Sprintf("%d rows fail their checksum", bad))
	}
	return err
}

// readActions reads every action that passes its checksum.
func readActions(ctx context.Context, c *sql.Conn) (good []mirrorLine, bad int, err error) {
	rows, err := c.QueryContext(ctx, "SELECT seq, id, chamber, at, kind, batch, body, sum FROM actions ORDER BY seq")
	if err != nil {
		return nil, 0, err
	}
	defer rows.Close()
	for rows.Next() {
		var l mirrorLine
		var at, sum int64
		var id, kind, batch, body string
		if err := rows.Scan(&l.Seq, &id, &l.Chamber, &at, &kind, &batch, &body, &sum); err != nil {
			return good, bad + 1, err
		}
		if checksum(l.Seq, at, id, l.Chamber, kind, batch, body) != sum {
			bad++
			continue
		}
		l.Action = []byte(body)
		good = append(good, l)
	}
	return good, bad, rows.Err()
}

// readSnapshots reads every snapshot that passes its checksum.
func readSnapshots(ctx context.Context, c *sql.Conn) (good []Saved, bad int, err error) {
	rows, err := c.QueryContext(ctx, selectSnapshots)
	if err != nil {
		return nil, 0, err
	}
	defer rows.Close()
	for rows.Next() {
		s, sound, err := scanSnapshot(rows)
		switch {
		case err != nil:
			return good, bad + 1, err
		case sound:
			good = append(good, s)
		default:
			bad++
		}
	}
	return good, bad, rows.Err()
}

// selectSnapshots asks for what scanSnapshot takes.
const selectSnapshots = "SELECT chamber, seq, at, state, sum FROM snapshots"

// scanSnapshot takes one row and says whether it passes its checksum.
func scanSnapshot(rows *sql.Rows) (s Saved, sound bool, err error) {
	var at, sum int64
	var state string
	if err := rows.Scan(&s.Chamber, &s.Seq, &at, &state, &sum); err != nil {
		return s, false, err
	}
	s.At, s.State = fromNano(at), []byte(state)
	return s, checksum(s.Seq, at, s.Chamber, state) == sum, nil
}

// saved is what could be read out of a damaged file.
type salvage struct {
	actions  []mirrorLine
	snaps    []Saved
	switches []Switched
}

// salvageFrom reads what it can, as far as it can. A file that gives nothing gives nothing.
func salvageFrom(ctx context.Context, path string) (s salvage) {
	if size(path) == 0 {
		return s
	}
	db, err := connect(path, "NORMAL", 1, "&mode=ro")
	if err != nil {
		return s
	}
	defer db.Close()
	c, err := db.Conn(ctx)
	if err != nil {
		return s
	}
	defer c.Close()
	if v, err := version(ctx, c); err != nil || v == 0 {
		return s
	}
	s.actions, _, _ = readActions(ctx, c)
	s.snaps, _, _ = readSnapshots(ctx, c)
	s.switches, _ = readSwitches(ctx, c, "SELECT chamber, plug, state, at FROM switches ORDER BY id")
	return s
}

func readSwitches(ctx context.Context, c *sql.Conn, query string, args ...any) (out []Switched, err error) {
	rows, err := c.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var w Switched
		var at int64
		if err := rows.Scan(&w.Chamber, &w.Plug, &w.On, &at); err != nil {
			return out, err
		}
		w.At = fromNano(at)
		out = append(out, w)
	}
	return out, rows.Err()
}

// setAside renames the database and what belongs to it, so that nothing of it is ever overwritten, and gives the new
// name. The database goes first: a log without its database is noticed when the journal is next opened.
func setAside(path string, now time.Time) (string, error) {
	aside := unused(path, now)
	for _, s := range suffixes {
		if err := os.Rename(path+s, aside+s); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", err
		}
	}
	return aside, syncFolder(filepath.Dir(path))
}

// unused is a name for a damaged file that is not taken.
func unused(path string, now time.Time) string {
	base := path + ".damaged-" + now.UTC().Format("20060102T150405Z")
	aside := base
	for i := 2; taken(aside); i++ {
		aside = fmt.Sprintf("%s-%d", base, i)
	}
	return aside
}

func taken(aside string) bool {
	for _, s := range suffixes {
		if _, err := os.Lstat(aside + s); err == nil {
			return true
		}
	}
	return false
}

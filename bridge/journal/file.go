package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"sync/atomic"

	_ "modernc.org/sqlite" // the driver
)

// file is one open database: its connections and what is known of it. Writers take turns by the journal's gate.
type file struct {
	path  string
	info  os.FileInfo // to notice when somebody takes the file away
	sure  writer      // synchronous=FULL: a commit survives a power cut
	quick writer      // synchronous=NORMAL: a commit survives the end of the process
	check *sql.DB     // moves the write-ahead log into the database
	read  *sql.DB

	seq     int64           // highest given or seen; under the gate
	pending map[string]bool // chambers with rows in switches; under the gate
	names   map[series]seriesID
	dirty   atomic.Int64 // about how many bytes were written since the log was last moved
}

type seriesID struct {
	id, chamber int64
	perUnit     float64
}

// busyMillis is how long a writer waits for somebody else's program that writes into the file.
const busyMillis = 250

// connect opens a pool. Nothing is done yet.
func connect(path, sync string, conns int, more string) (*sql.DB, error) {
	u := url.URL{Scheme: "file", Opaque: (&url.URL{Path: path}).EscapedPath()}
	u.RawQuery = fmt.Sprintf("_pragma=busy_timeout(%d)&_pragma=synchronous(%s)&_pragma=wal_autocheckpoint(0)"+
		"&_pragma=cell_size_check(1)&_pragma=trusted_schema(0)%s", busyMillis, sync, more)
	db, err := sql.Open("sqlite", u.String())
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(conns)
	db.SetMaxIdleConns(conns)
	return db, nil
}

// writer is one connection that writes, with its prepared statements.
type writer struct {
	db    *sql.DB
	conn  *sql.Conn
	stmts map[string]*sql.Stmt
}

func newWriter(ctx context.Context, path, sync string) (writer, error) {
	db, err := connect(path, sync, 1, "&_pragma=journal_size_limit(8388608)")
	if err != nil {
		return writer{}, err
	}
	conn, err := db.Conn(ctx)
	if err != nil {
		return writer{}, errors.Join(err, db.Close())
	}
	return writer{db: db, conn: conn, stmts: map[string]*sql.Stmt{}}, nil
}

func (w *writer) stmt(query string) (*sql.Stmt, error) {
	if s := w.stmts[query]; s != nil {
		return s, nil
	}
	s, err := w.conn.PrepareContext(context.Background(), query)
	if err == nil {
		w.stmts[query] = s
	}
	return s, err
}

// exec runs a statement to its end: a write is short, and half of one helps nobody, so no context cuts it off.
func (w *writer) exec(query string, args ...any) error {
	s, err := w.stmt(query)
	if err != nil {
		return err
	}
	_, err = s.ExecContext(context.Background(), args...)
	return err
}

// row runs a query for one row; found is false when there is none.
func (w *writer) row(query string, args []any, into ...any) (found bool, err error) {
	s, err := w.stmt(query)
	if err != nil {
		return false, err
	}
	err = s.QueryRowContext(context.Background(), args...).Scan(into...)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	return err == nil, err
}

// tx does all of fn or nothing.
func (w *writer) tx(fn func() error) error {
	if err := w.exec("BEGIN IMMEDIATE"); err != nil {
		return err
	}
	err := fn()
	if err == nil {
		err = w.exec("COMMIT")
	}
	if err != nil {
		// A full disk may have rolled back already; then this says so, which is of no interest.
		_ = w.exec("ROLLBACK")
	}
	return err
}

func (w *writer) close() error {
	if w.db == nil {
		return nil
	}
	for _, s := range w.stmts {
		s.Close()
	}
	return errors.Join(w.conn.Close(), w.db.Close())
}

// openFile opens the database and brings its schema up to date. It looks for damage and reports it with an error
// that is a *damaged; it never changes a damaged file.
func openFile(ctx context.Context, path string) (f *file, err error) {
	if err := lookAt(ctx, path); err != nil {
		return nil, err
	}
	f = &file{path: path, pending: map[string]bool{}, names: map[series]seriesID{}}
	defer func() {
		if err != nil {
			err = errors.Join(err, f.close())
			f = nil
		}
	}()
	if f.quick, err = newWriter(ctx, path, "NORMAL"); err != nil {
		return f, err
	}
	if err := f.prepare(ctx); err != nil {
		return f, err
	}
	if f.sure, err = newWriter(ctx, path, "FULL"); err != nil {
		return f, err
	}
	if f.check, err = connect(path, "NORMAL", 1, ""); err != nil {
		return f, err
	}
	if f.read, err = connect(path, "NORMAL", 4, "&_pragma=query_only(1)"); err != nil {
		return f, err
	}
	if f.info, err = os.Stat(path); err != nil {
		return f, err
	}
	if err := f.remember(); err != nil {
		return f, err
	}
	return f, syncFolder(filepath.Dir(path))
}

// prepare turns the write-ahead log on and migrates.
func (f *file) prepare(ctx context.Context) error {
	var mode string
	if err := f.quick.conn.QueryRowContext(ctx, "PRAGMA journal_mode = WAL").Scan(&mode); err != nil {
		return err
	}
	if mode != "wal" {
		return fmt.Errorf("journal: %s is on a file system without shared memory; put it on a local disk", f.path)
	}
	v, err := version(ctx, f.quick.conn)
	if err != nil {
		return err
	}
	return migrate(ctx, f.quick.conn, v)
}

// remember reads what the writers keep in memory.
func (f *file) remember() error {
	if _, err := f.quick.row(`SELECT max(ifnull((SELECT max(seq) FROM actions), 0), ifnull((SELECT max(seq) FROM snapshots), 0))`,
		nil, &f.seq); err != nil {
		return err
	}
	rows, err := f.quick.conn.QueryContext(context.Background(), "SELECT DISTINCT chamber FROM switches")
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			return err
		}
		f.pending[name] = true
	}
	return rows.Err()
}

func (f *file) close() error {
	if f == nil {
		return nil
	}
	var errs []error
	for _, db := range []*sql.DB{f.read, f.check} {
		if db != nil {
			errs = append(errs, db.Close())
		}
	}
	return errors.Join(append(errs, f.sure.close(), f.quick.close())...)
}

// there reports whether the file is still where it was opened.
func (f *file) there() bool {
	now, err := os.Stat(f.path)
	return err == nil && os.SameFile(f.info, now)
}

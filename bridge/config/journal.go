package config

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// journal reads where what must last is kept, and for how long what may be forgotten.
func (r *reader) journal(t *table) Journal {
	days := func(key string) time.Duration {
		return time.Duration(get[float64](r, t, key) * 24 * float64(time.Hour))
	}
	j := Journal{Path: r.env.resolveJournal(get[string](r, t, "path")), Minutes: days("minutes_days"), TenMinutes: days("ten_minutes_days"),
		Hours: days("hours_days"), Events: days("events_days")}
	if given := get[string](r, t, "path"); strings.Contains(given, "://") {
		r.fault(t, "path", Fault{What: "is the address of a server", Allowed: `the journal is a file on this machine, such as "gillkeeper.db"`})
	} else {
		r.journalPlace(t, j.Path)
	}
	if j.Minutes > j.TenMinutes {
		r.fault(t, "ten_minutes_days", Fault{What: "is shorter than minutes_days", Allowed: "what is coarser is kept longer: raise it, or lower minutes_days"})
	}
	if j.TenMinutes > j.Hours {
		r.fault(t, "hours_days", Fault{What: "is shorter than ten_minutes_days", Allowed: "what is coarser is kept longer: raise it, or lower ten_minutes_days"})
	}
	return j
}

// journalAlone refuses to keep the journal in a file that is something else already: what is no database there counts as a damaged one
// and is moved out of the way, be it this configuration.
func (r *reader) journalAlone(t *table, path string) {
	for i, other := range append([]string{r.file}, r.sides...) {
		if !samePlace(path, other) {
			continue
		}
		what := "names this configuration"
		if i > 0 {
			what = "names a file that this configuration reads"
		}
		r.fault(t, "path", Fault{What: what, Allowed: `give the journal a file of its own, such as "gillkeeper.db"`})
		return
	}
}

// samePlace reports whether two paths lead to one file, or will.
func samePlace(a, b string) bool {
	fromRoot := func(path string) string {
		if abs, err := filepath.Abs(path); err == nil {
			return abs
		}
		return path
	}
	if fromRoot(a) == fromRoot(b) {
		return true
	}
	x, errX := os.Stat(a)
	y, errY := os.Stat(b)
	return errX == nil && errY == nil && os.SameFile(x, y)
}

// fromMemory is what a journal that cannot be used comes to.
const fromMemory = ": without it chambers are kept from memory alone, and what people do is refused"

// journalPlace judges where the journal is to lie. What can never become one is a fault. A folder that is missing or locked is a
// warning only: the service manager may have yet to make it, its disk may be away, and a crop must not be left alone for that.
func (r *reader) journalPlace(t *table, path string) {
	folder := filepath.Dir(path)
	mode, writable, err := r.env.place(path)
	readOnly := Fault{What: "lies on a disk that is mounted read-only", Allowed: "look at the disk, and mount it for writing" + fromMemory, Warning: true}
	switch {
	case errors.Is(err, syscall.EROFS):
		r.fault(t, "path", readOnly)
		return
	case err == nil && mode.IsDir():
		r.fault(t, "path", Fault{What: "names a folder", Allowed: "name a file in it, such as " + strconv.Quote(filepath.Join(path, "gillkeeper.db"))})
		return
	case err == nil && !mode.IsRegular():
		r.fault(t, "path", Fault{What: "names what is no regular file", Allowed: "name a file; it is made when it is missing"})
		return
	case err == nil && !writable:
		r.fault(t, "path", Fault{What: "names a file that this user may not write", Allowed: "let the user that runs the daemon write " + path + fromMemory, Warning: true})
		return
	case err == nil && r.env.NoJournal != nil && r.env.NoJournal(path):
		r.fault(t, "path", Fault{What: "names a file that is no journal", Warning: true,
			Allowed: "look what it is, and give the journal a file of its own: the daemon would move this one out of its way and begin anew"})
		return
	}
	mode, writable, err = r.env.place(folder)
	switch {
	case errors.Is(err, syscall.EROFS):
		r.fault(t, "path", readOnly)
	case errors.Is(err, syscall.ENOTDIR), err == nil && !mode.IsDir():
		r.fault(t, "path", Fault{What: "lies below a file", Allowed: folder + " is no folder; name a file in one"})
	case errors.Is(err, fs.ErrNotExist):
		r.fault(t, "path", Fault{What: "lies in a folder that is not there", Allowed: "make " + folder + " before the daemon starts" + fromMemory, Warning: true})
	case err == nil && !writable:
		r.fault(t, "path", Fault{What: "lies in a folder that this user may not write into", Allowed: "let the user that runs the daemon write into " + folder + fromMemory, Warning: true})
	}
}

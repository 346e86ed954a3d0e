package config

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"unicode"
	"unicode/utf8"
)

// Env is what surrounds a configuration file.
type Env struct {
	Dir         string // folder of the file: relative paths rest on it
	Credentials string // where a service manager put secrets, searched for what can't be read below Dir; empty: nowhere
	State       string // where a service manager wants lasting data: a relative journal path rests on it; empty: on Dir
	// Read reads a side file and tells its mode; nil reads the file of that name.
	Read func(path string) ([]byte, fs.FileMode, error)
	// Place tells what is at a path and whether this user may write there, with syscall.EROFS where nobody may; nil looks at this
	// machine.
	Place func(path string) (mode fs.FileMode, writable bool, err error)
	// NoJournal reports whether a file would be moved out of the journal's way because it is no database; nil: nobody asks.
	NoJournal func(path string) bool
}

// EnvOf gives the surroundings of a file on this machine, as systemd describes them in its environment variables.
func EnvOf(path string) Env {
	return Env{Dir: filepath.Dir(path), Credentials: os.Getenv("CREDENTIALS_DIRECTORY"), State: os.Getenv("STATE_DIRECTORY")}
}

// readSideFile reads a secret or certificate. Anything but a regular file of modest size is refused: a pipe would
// block and a device never end.
func readSideFile(path string) ([]byte, fs.FileMode, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, 0, err
	}
	if !info.Mode().IsRegular() {
		return nil, 0, errors.New("is not a regular file")
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, 0, err
	}
	defer f.Close() // only read
	data, err := io.ReadAll(io.LimitReader(f, maxSideFile+1))
	if err == nil && len(data) > maxSideFile {
		err = fmt.Errorf("is larger than %d bytes", maxSideFile)
	}
	return data, info.Mode(), err
}

func (e *Env) read(path string) ([]byte, fs.FileMode, error) {
	if e.Read != nil {
		return e.Read(path)
	}
	return readSideFile(path)
}

func (e *Env) place(path string) (mode fs.FileMode, writable bool, err error) {
	if e.Place != nil {
		return e.Place(path)
	}
	info, err := os.Stat(path)
	if err != nil {
		return 0, false, err
	}
	switch err := mayWrite(path); {
	case errors.Is(err, syscall.EROFS): // no right would help, not even root's
		return info.Mode(), false, err
	case err != nil:
		return info.Mode(), false, nil
	}
	return info.Mode(), true, nil
}

// resolve gives where a relative path leads.
func (e *Env) resolve(path string) string {
	if filepath.IsAbs(path) {
		return filepath.Clean(path)
	}
	return filepath.Join(e.Dir, path)
}

// resolveJournal gives where the journal lies.
func (e *Env) resolveJournal(path string) string {
	if e.State != "" && !filepath.IsAbs(path) {
		return filepath.Join(e.State, path)
	}
	return e.resolve(path)
}

// sideFile reads the file that a key names. It says what is wrong and gives false when it can't.
func (r *reader) sideFile(t *table, key string) ([]byte, fs.FileMode, bool) {
	if !r.given(t, key) {
		return nil, 0, false
	}
	name := get[string](r, t, key)
	path := r.env.resolve(name)
	r.sides = append(r.sides, path)
	data, mode, err := r.env.read(path)
	if (errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrPermission)) && r.env.Credentials != "" && filepath.IsLocal(name) {
		inStore := filepath.Join(r.env.Credentials, credential(name))
		if stored, storedMode, e := r.env.read(inStore); e == nil {
			data, mode, err = stored, storedMode&^0o077, nil // the service manager guards its folder
		} else if errors.Is(e, fs.ErrNotExist) {
			path += " or " + inStore
		} else {
			err = e
		}
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		r.fault(t, key, Fault{What: "names a file that is not there", Allowed: "looked for " + path})
	case errors.Is(err, fs.ErrPermission):
		r.fault(t, key, Fault{What: "names a file that this user may not read", Allowed: "make " + path + " readable for the user that runs the daemon"})
	case err != nil:
		r.fault(t, key, Fault{What: "names a file that can't be read: " + reason(err), Allowed: "looked at " + path})
	case len(data) == 0:
		r.fault(t, key, Fault{What: "names an empty file", Allowed: "put into " + path + " what it is to hold"})
	}
	return data, mode, err == nil && len(data) > 0
}

// credential gives the name under which a service manager passes a file on: one of a folder that is passed on whole is
// called by both names with an underscore between, systemd.exec(5) under LoadCredential.
func credential(name string) string {
	return strings.ReplaceAll(filepath.ToSlash(filepath.Clean(name)), "/", "_")
}

// reason gives an error without its path, on one line.
func reason(err error) string {
	if p, ok := errors.AsType[*fs.PathError](err); ok {
		err = p.Err
	}
	return oneLine(err.Error())
}

// secret reads the file that a key names as a secret: one line, without its end.
func (r *reader) secret(t *table, key string) Secret {
	data, mode, ok := r.sideFile(t, key)
	if !ok {
		return Secret{}
	}
	text := strings.TrimSuffix(strings.TrimSuffix(string(data), "\n"), "\r")
	switch {
	case strings.TrimSpace(text) == "":
		r.fault(t, key, Fault{What: "names a file with nothing but space", Allowed: "write the secret into it, on one line"})
		return Secret{}
	case !utf8.ValidString(text) || strings.ContainsFunc(text, unicode.IsControl):
		r.fault(t, key, Fault{What: "names a file with more than one line, or with control characters", Allowed: "the secret alone, on one line"})
		return Secret{}
	}
	if mode.Perm()&0o004 != 0 {
		r.fault(t, key, Fault{What: "names a file that everybody on this machine can read", Allowed: "take that right away: chmod o-r " + get[string](r, t, key), Warning: true})
	}
	if strings.TrimSpace(text) != text {
		r.fault(t, key, Fault{What: "names a file whose secret begins or ends with space", Allowed: "remove it unless it is part of the secret", Warning: true})
	}
	return NewSecret(text)
}

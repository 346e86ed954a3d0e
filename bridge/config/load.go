package config

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"unicode/utf8"
)

// Load reads the file at path. It gives the configuration and the warnings about it; or, when anything is wrong with
// the file, no configuration and an error of type [Faults] with every fault and warning in the order of lines; or
// another error when the file can't be read.
func Load(path string) (*Config, Faults, error) { return load(path, EnvOf(path)) }

// Check reads a file as [Load] does, for somebody who asks whether it is good: what lies where the journal is to be is looked at, too,
// see [Env.NoJournal]. The daemon does that itself.
func Check(path string, noJournal func(path string) bool) (*Config, Faults, error) {
	env := EnvOf(path)
	env.NoJournal = noJournal
	return load(path, env)
}

func load(path string, env Env) (*Config, Faults, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, nil, &missingFile{path, err}
	case errors.Is(err, fs.ErrPermission):
		return nil, nil, forbidden(path)
	case err != nil:
		return nil, nil, fmt.Errorf("read configuration: %w", err)
	case info.IsDir():
		return nil, nil, fmt.Errorf("%s is a folder; give the path of a configuration in it", path)
	case MayBlock(path, info):
		return nil, nil, fmt.Errorf("%s is no regular file; give the path of a configuration, or /dev/stdin to have it read from there", path)
	}
	f, err := os.Open(path)
	switch {
	case errors.Is(err, fs.ErrPermission):
		return nil, nil, forbidden(path)
	case err != nil:
		return nil, nil, fmt.Errorf("read configuration: %w", err)
	}
	defer f.Close() // only read
	text, err := io.ReadAll(io.LimitReader(f, maxFile+1))
	if err != nil {
		return nil, nil, fmt.Errorf("read configuration: %w", err)
	}
	return Parse(path, text, env)
}

// MayBlock reports whether to open what a path names, which info is of, could wait for ever and deaf to every signal: a pipe by a name of
// its own waits for somebody to write into it. What this process was given open, as a shell does at the end of a pipe, does not.
func MayBlock(path string, info fs.FileInfo) bool {
	path = filepath.Clean(path)
	handedOn := path == "/dev/stdin" || strings.HasPrefix(path, "/dev/fd/") || strings.HasPrefix(path, "/proc/self/fd/")
	return !info.Mode().IsRegular() && !info.IsDir() && !handedOn
}

func forbidden(path string) error {
	return fmt.Errorf("this user may not read %s; be one who may, or give the file or its folder another owner or mode", path)
}

// missingFile says that there is no file, without the system's words.
type missingFile struct {
	path string
	err  error
}

func (m *missingFile) Error() string {
	return fmt.Sprintf("there is no file %s; give the path of a configuration, or have gillkeeper survey write one", m.path)
}
func (m *missingFile) Unwrap() error { return m.err }

// Parse reads a configuration from text. The name stands in faults; side files are read as env says. Results are as
// of [Load].
func Parse(name string, text []byte, env Env) (*Config, Faults, error) {
	if len(text) > maxFile {
		return nil, nil, Faults{{File: name, Line: 1, What: fmt.Sprintf("is larger than %d bytes", maxFile), Allowed: "split the site over several daemons"}}
	}
	if !utf8.Valid(text) {
		return nil, nil, Faults{{File: name, Line: badLine(text), What: "is not UTF-8", Allowed: "save the file as UTF-8"}}
	}
	raw, x, syntax := read(name, string(text))
	r := &reader{file: name, env: env, asked: map[string]bool{}}
	cfg := &Config{Path: name, Text: text}
	if raw != nil {
		top := r.table("", "", raw, &x.root, 1)
		r.build(cfg, top)
	}
	faults := r.faults
	faults = slices.DeleteFunc(faults, func(f Fault) bool { return f.absence && x.mayHold(f.Line) })
	faults = append(syntax, faults...)
	slices.SortStableFunc(faults, func(a, b Fault) int { return cmp.Compare(a.Line, b.Line) })
	if n, _ := faults.Count(); n > 0 {
		return nil, nil, faults
	}
	sum := sha256.Sum256(text)
	cfg.Hash = hex.EncodeToString(sum[:])
	return cfg, faults, nil
}

// badLine gives the first line that isn't UTF-8.
func badLine(text []byte) int {
	n := 0
	for line := range strings.SplitSeq(string(text), "\n") {
		n++
		if !utf8.ValidString(line) {
			return n
		}
	}
	return 1
}

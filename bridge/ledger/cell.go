package ledger

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"gillkeeper/bridge/web/api"
	"gillkeeper/policy/nearest"
)

// reader reads one cell into an entry.
type reader = func(e *api.Entry, cell string, zone *time.Location) error

func text(field func(*api.Entry) *string) reader {
	return func(e *api.Entry, s string, _ *time.Location) error {
		if !utf8.ValidString(s) {
			return errors.New("is not UTF-8; save the file as UTF-8")
		}
		*field(e) = s
		return nil
	}
}

// word reads one of some words, or nothing.
func word(field func(*api.Entry) *string, allowed []string) reader {
	return func(e *api.Entry, s string, _ *time.Location) error {
		if s != "" && !slices.Contains(allowed, s) {
			hint := ""
			if near := nearest.Word(s, allowed); near != "" {
				hint = "; did you mean " + near + "?"
			}
			return fmt.Errorf("%s is none of %s%s", quoted(s), strings.Join(allowed, ", "), hint)
		}
		*field(e) = s
		return nil
	}
}

// number reads a number with a decimal point, or nothing.
func number(field func(*api.Entry) *float64) reader {
	return func(e *api.Entry, s string, _ *time.Location) error {
		if s == "" {
			return nil
		}
		v, err := strconv.ParseFloat(s, 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) || strings.ContainsAny(s, "xXpP_") {
			return fmt.Errorf("%s is not a number; write it like 840 or 4.2", quoted(s))
		}
		*field(e) = v
		return nil
	}
}

func yes(e *api.Entry, s string, _ *time.Location) error {
	switch strings.ToLower(s) {
	case "yes", "true", "1":
		e.Done = true
	case "", "no", "false", "0":
	default:
		return fmt.Errorf("%s is neither yes nor no", quoted(s))
	}
	return nil
}

func words(field func(*api.Entry) *[]string) reader {
	return func(e *api.Entry, s string, _ *time.Location) error {
		if !utf8.ValidString(s) {
			return errors.New("is not UTF-8; save the file as UTF-8")
		}
		for w := range strings.SplitSeq(s, separator) {
			if w = strings.TrimSpace(w); w != "" {
				*field(e) = append(*field(e), w)
			}
		}
		return nil
	}
}

// forever is later than any moment of a record: of a time that the clock shows twice, the later is meant.
var forever = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

// moment reads a point in time.
func moment(into *time.Time, s string, zone *time.Location) error {
	if s == "" {
		return nil
	}
	if t, ok := api.ParseDate(s, forever, zone); ok {
		*into = t.UTC()
		return nil
	}
	return fmt.Errorf("%s is not a moment; write it like 2026-01-14 03:12 or in RFC 3339", quoted(s))
}

// decimal writes a number so that it is read back as the same; nothing for 0.
func decimal(v float64) string {
	if v == 0 {
		return ""
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// unmarked reads on after the byte order mark that spreadsheets put in front.
type unmarked struct {
	r      io.Reader
	begun  bool
	buffer []byte
}

func (u *unmarked) Read(p []byte) (int, error) {
	if !u.begun {
		u.begun = true
		head := make([]byte, 3)
		n, err := io.ReadFull(u.r, head)
		if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
			return 0, err
		}
		if string(head[:n]) != "\ufeff" {
			u.buffer = head[:n]
		}
	}
	if len(u.buffer) > 0 {
		n := copy(p, u.buffer)
		u.buffer = u.buffer[n:]
		return n, nil
	}
	return u.r.Read(p)
}

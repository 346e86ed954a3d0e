package journal

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"strconv"
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// checksum covers every field of a row, so that a flipped byte anywhere in it is noticed.
func checksum(seq, at int64, fields ...string) int64 {
	h := crc32.New(castagnoli)
	fmt.Fprintf(h, "%d %d", seq, at)
	for _, f := range fields {
		fmt.Fprintf(h, " %d:%s", len(f), f)
	}
	return int64(h.Sum32())
}

// mirror is the second copy of people's actions: a file of lines, one action each, that only grows. A line is the
// CRC-32C of the rest in eight hexadecimal digits, a space, and a JSON object. The file also carries the lock.
type mirror struct {
	f    *os.File
	path string
	last int64 // highest Seq written
	size int64 // end of the last whole line
}

type mirrorLine struct {
	Seq     int64           `json:"seq"`
	Chamber string          `json:"chamber"`
	Action  json.RawMessage `json:"action"`
}

func mirrorPath(path string) string { return path + ".actions" }

// openMirror opens and locks the file of lines.
func openMirror(path string) (*mirror, error) {
	f, err := os.OpenFile(mirrorPath(path), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	if err := lockFile(f); err != nil {
		f.Close()
		return nil, ErrLocked
	}
	if err := syncFolder(filepath.Dir(path)); err != nil {
		f.Close()
		return nil, err
	}
	return &mirror{f: f, path: mirrorPath(path)}, nil
}

// read gives every good line and the number of bad ones. A last line without its end was being written when the
// power went: nobody was told that it is stored, and it is cut off by the next append.
func (m *mirror) read() (lines []mirrorLine, bad int, err error) {
	if _, err := m.f.Seek(0, io.SeekStart); err != nil {
		return nil, 0, err
	}
	m.size, m.last = 0, 0
	r := bufio.NewReader(m.f)
	for {
		raw, err := r.ReadBytes('\n')
		if errors.Is(err, io.EOF) {
			return lines, bad, nil
		}
		if err != nil {
			return nil, 0, err
		}
		m.size += int64(len(raw))
		l, ok := parseMirrorLine(raw[:len(raw)-1])
		if !ok {
			bad++
			continue
		}
		m.last = max(m.last, l.Seq)
		lines = append(lines, l)
	}
}

func parseMirrorLine(raw []byte) (mirrorLine, bool) {
	var l mirrorLine
	sum, body, ok := bytes.Cut(raw, []byte(" "))
	if !ok || len(sum) != 8 {
		return l, false
	}
	want, err := strconv.ParseUint(string(sum), 16, 32)
	if err != nil || uint32(want) != crc32.Checksum(body, castagnoli) {
		return l, false
	}
	if err := json.Unmarshal(body, &l); err != nil || l.Seq < 1 || l.Chamber == "" {
		return l, false
	}
	return l, true
}

// append adds lines and makes them durable. What a full disk left half written is cut off again.
func (m *mirror) append(lines []mirrorLine) error {
	if len(lines) == 0 {
		return nil
	}
	var buf bytes.Buffer
	last := m.last
	for _, l := range lines {
		body, err := json.Marshal(l)
		if err != nil {
			return err
		}
		fmt.Fprintf(&buf, "%08x %s\n", crc32.Checksum(body, castagnoli), body)
		last = max(last, l.Seq)
	}
	if _, err := m.f.WriteAt(buf.Bytes(), m.size); err != nil {
		return errors.Join(err, m.f.Truncate(m.size))
	}
	if err := m.f.Truncate(m.size + int64(buf.Len())); err != nil {
		return err
	}
	if err := m.f.Sync(); err != nil {
		return err
	}
	m.size += int64(buf.Len())
	m.last = last
	return nil
}

// renew writes the lines into a file of their own and puts it in the place of this one, which is set aside. There is
// no moment without a lock.
func (m *mirror) renew(path string, lines []mirrorLine, aside string) (*mirror, error) {
	temp := mirrorPath(path) + ".new"
	f, err := os.OpenFile(temp, os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return nil, err
	}
	fresh := &mirror{f: f, path: mirrorPath(path)}
	err = lockFile(f)
	if err == nil {
		err = fresh.append(lines)
	}
	if err == nil {
		err = os.Rename(mirrorPath(path), aside)
	}
	if err == nil {
		err = os.Rename(temp, mirrorPath(path))
	}
	if err == nil {
		err = syncFolder(filepath.Dir(path))
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return fresh, m.close()
}

// there reports whether the lines are still where they were opened.
func (m *mirror) there() bool {
	mine, err := m.f.Stat()
	if err != nil {
		return false
	}
	now, err := os.Stat(m.path)
	return err == nil && os.SameFile(mine, now)
}

func (m *mirror) close() error { return m.f.Close() }

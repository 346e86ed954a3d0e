//go:build unix

package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// TestAPipeInPlaceOfAFile: nobody writes into it. What waited for that was deaf to every signal.
func TestAPipeInPlaceOfAFile(t *testing.T) {
	pipe := filepath.Join(t.TempDir(), "pipe")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, line := range []string{"check " + pipe, "run --config " + pipe, "status --token-file " + pipe, "batch import " + pipe} {
		var said bytes.Buffer
		done := make(chan int, 1)
		go func() { done <- run(t.Context(), strings.Fields(line), strings.NewReader(""), io.Discard, &said) }()
		select {
		case status := <-done:
			if status != 1 || !strings.Contains(said.String(), pipe+" is no regular file") || strings.Count(said.String(), "\n") != 1 {
				t.Errorf("%s: %d, %s", line, status, &said)
			}
		case <-time.After(10 * time.Second):
			t.Fatalf("%s: it waits", line)
		}
	}
}

// TestATerminalInPlaceOfAFile: that it waits for somebody to type is said. The side of a pseudo terminal that anybody may open stands in for one.
func TestATerminalInPlaceOfAFile(t *testing.T) {
	const side = "/dev/ptmx"
	terminal, err := os.OpenFile(side, os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Skip("there are no pseudo terminals: ", err)
	}
	defer terminal.Close()
	for path, want := range map[string]bool{side: true, os.DevNull: false, "nowhere.toml": false} {
		var said bytes.Buffer
		newApp(terminal, io.Discard, &said, os.Getenv).sayTyping(path)
		if got := strings.Contains(said.String(), "end with Ctrl-D"); got != want {
			t.Errorf("%s: %q", path, &said)
		}
	}
}

package main

import (
	"fmt"
	"math"
	"os"
	"strings"
	"sync"
	"time"

	"golang.org/x/term"
)

// progress shows on standard error how far something is, while that is a terminal. The returned function ends it and
// wipes it away; share is called until then.
func (a *app) progress(share func() float64) (stop func()) {
	f, ok := a.barOn()
	if !ok {
		return func() {}
	}
	done := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		tick := time.NewTicker(100 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-tick.C:
				columns, _, err := term.GetSize(int(f.Fd()))
				if err != nil {
					columns = 80
				}
				fmt.Fprintf(f, "\r%s\x1b[K", barLine(columns, share()))
			case <-done:
				fmt.Fprint(f, "\r\x1b[K")
				return
			}
		}
	})
	return func() {
		close(done)
		wg.Wait()
	}
}

// barLine is a bar and its share in percent, narrower than so many columns: a line that breaks is not wiped away.
func barLine(columns int, share float64) string {
	figure := fmt.Sprintf(" %3.0f %%", 100*share)
	return bar(min(40, max(0, columns-1-len(figure))), share) + figure
}

// barOn is the terminal on which a bar can be drawn.
func (a *app) barOn() (f *os.File, ok bool) {
	f, ok = a.stderr.(*os.File)
	return f, ok && term.IsTerminal(int(f.Fd()))
}

// sayTyping says that a file that is about to be read is the terminal, which waits for somebody to type and looks like a program that hangs.
func (a *app) sayTyping(path string) {
	in, ok := a.stdin.(*os.File)
	if !ok || !term.IsTerminal(int(in.Fd())) {
		return
	}
	terminal, err := in.Stat()
	if err != nil {
		return
	}
	if named, err := os.Stat(path); err == nil && os.SameFile(named, terminal) {
		fmt.Fprintln(a.stderr, "reading the configuration from this terminal: type it, and end with Ctrl-D on a line of its own")
	}
}

// remark writes a line on standard error while something is under way, above its bar where one is drawn.
func (a *app) remark(line string) {
	wipe := ""
	if _, ok := a.barOn(); ok {
		wipe = "\r\x1b[K"
	}
	fmt.Fprintf(a.stderr, "%s%s\n", wipe, line)
}

// bar draws a share, 0..1, as a bar so many columns wide, to an eighth of a column.
func bar(width int, share float64) string {
	share = math.Max(0, math.Min(1, share))
	eighths := int(share * float64(8*width))
	s := strings.Repeat("█", eighths/8)
	if rest := eighths % 8; rest > 0 {
		s += string([]rune("▏▎▍▌▋▊▉")[rest-1])
		eighths += 8
	}
	return s + strings.Repeat("░", width-eighths/8)
}

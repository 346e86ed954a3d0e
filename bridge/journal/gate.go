package journal

import "sync"

// gate lets one writer at a time at the file, and those in a hurry before those who are not. SQLite's own lock would
// make them poll for each other, in steps of milliseconds.
type gate struct {
	low  sync.Mutex // one patient writer at a time goes on to next
	next sync.Mutex // whose turn comes next: hurried writers queue here, beside at most one patient one
	held sync.Mutex // the file is being written
}

// hurry waits for no more than the transaction at hand and one patient one.
func (g *gate) hurry() {
	g.next.Lock()
	g.held.Lock()
	g.next.Unlock()
}

func (g *gate) done() { g.held.Unlock() }

// patient waits for all who hurry.
func (g *gate) patient() {
	g.low.Lock()
	g.hurry()
}

func (g *gate) patientDone() {
	g.held.Unlock()
	g.low.Unlock()
}

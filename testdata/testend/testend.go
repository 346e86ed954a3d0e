// Package testend begins and ends a test binary without what would keep its cores from its work.
//
// The heap of one is a few megabytes, which the collector goes through hundreds of times a second while a simulation makes states
// and drops them. It is let grow to several times as much.
//
// Built with -race it ends without the second that the race detector sleeps before a process exits, which every
// one of some fifty binaries would keep one of two cores from its work.
//
// The second is there to catch races of goroutines that outlive the tests. Those that happen within tests have failed them by
// then, or the whole binary: [testing.M.Run] asks the detector itself. It must be imported by nothing but tests.
package testend

import (
	"os"
	"runtime/debug"
	"syscall"
	"testing"
)

// Main is the TestMain of a package that has nothing of its own to put up or down.
func Main(m *testing.M) {
	if _, set := os.LookupEnv("GOGC"); !set {
		debug.SetGCPercent(800)
	}
	Exit(m.Run())
}

// Exit leaves at once. Nothing may run between [testing.M.Run] and it in which a race could happen: nobody would be told.
func Exit(code int) { syscall.Exit(code) }

package main

import (
	"context"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"gillkeeper/bridge/web"
	"gillkeeper/bridge/web/webtest"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"gillkeeper": func() {
			os.Exit(run(context.Background(), os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
		},
	})
}

// TestScripts runs every command line as a person would type it: with "exec" as a process of its own, which every command that
// needs no daemon has at least once, with "call" inside this one.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(env *testscript.Env) error {
			// Built with -race, every process sleeps for a second before it exits, in case a race is still to be told.
			env.Setenv("GORACE", "atexit_sleep_ms=10")
			env.Values[jarKey{}] = &jar{}
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"daemon": startTwin, "call": call, "jar": fillJar, "recorded": fillRecord},
	})
}

// startTwin starts a server over chambers in memory, with a token if one is named, and points GILLKEEPER_SERVER to it; with
// fahrenheit its site shows degrees Fahrenheit and lies five hours behind UTC.
func startTwin(ts *testscript.TestScript, neg bool, args []string) {
	twin := webtest.New()
	ts.Value(jarKey{}).(*jar).twin = twin
	o := web.Options{Listen: "127.0.0.1:0", Backend: twin, Now: twin.Now, Version: "test", Ahead: twin.Outlook,
		Site: web.Site{Name: "North shed", Zone: time.FixedZone("UTC+2", 2*3600)}}
	for _, arg := range args {
		if arg == "fahrenheit" {
			o.Site.Fahrenheit = true
			o.Site.Zone = time.FixedZone("shed", -5*3600) // a name that no zone database has
		} else {
			o.Access.Token = arg
		}
	}
	s, err := web.New(o)
	ts.Check(err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	ts.Defer(func() {
		cancel()
		ts.Check(<-done)
	})
	ts.Setenv("GILLKEEPER_SERVER", "http://"+s.Addr().String())
}

// call runs a command line inside the test's own process: as "exec gillkeeper", and many times faster under -race.
// Paths must be absolute.
func call(ts *testscript.TestScript, neg bool, args []string) {
	a := newApp(strings.NewReader(strings.ReplaceAll(ts.Getenv("ANSWERS"), "/", "\n")), ts.Stdout(), ts.Stderr(), ts.Getenv)
	a.wait = ts.Value(jarKey{}).(*jar).wait
	code := a.run(context.Background(), args)
	if neg != (code != exitDone) {
		ts.Fatalf("exit status %d", code)
	}
}

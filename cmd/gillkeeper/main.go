// Command gillkeeper keeps the climate of small mushroom fruiting chambers over MQTT.
//
// Each command has a file of its own: flags, a call, printing. It must never hold logic. Start reading at [run]; the
// list of commands is in [newRootCommand].
package main

import (
	"context"
	"io"
	"os"
	"os/signal"
	"syscall"
	_ "time/tzdata" // the site's timezone must be known on machines without a zone database

	"golang.org/x/term"
)

func main() {
	os.Exit(realMain())
}

// realMain lets deferred calls run before the process exits.
func realMain() int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	return run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
}

// run is the whole program but for its process: arguments in, exit status out.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	a := newApp(stdin, stdout, stderr, os.Getenv)
	if f, ok := stdout.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		a.terminal = true
		if w, _, err := term.GetSize(int(f.Fd())); err == nil {
			a.width = w
		}
	}
	return a.run(ctx, args)
}

package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"

	"gillkeeper/bridge/daemon"
	"gillkeeper/bridge/firststart"
	"gillkeeper/bridge/web"
)

// firstListen is where a first start is led through: where the page will be by default.
const firstListen = "127.0.0.1:9420"

// firstStart leads through a first configuration on a page, and returns when the file is written. Until it is started
// anew without the flag, the daemon then only watches: nobody has compared it with what they have.
func (a *app) firstStart(ctx context.Context, path, listen string, o *daemon.Options) error {
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s is there already; run it without --first-start", path)
	}
	if folder := filepath.Dir(path); !isFolder(folder) { // before anybody has gone through it all
		return fmt.Errorf("%s cannot be written: there is no folder %s; make it first", path, folder)
	} else if err := writable(folder); err != nil {
		return fmt.Errorf("%s cannot be written: %w; name a folder in which this user may write", path, err)
	}
	start := firststart.New(path)
	defer start.Close()
	s, err := web.New(web.Options{Listen: listen, First: start, Version: o.Build.Version, Log: o.Log})
	if errors.Is(err, syscall.EADDRINUSE) { // there is no file yet in which another could be set
		return fmt.Errorf("a first start needs %s, and another program is there, perhaps a gillkeeper that runs already: open http://%s to see, and stop it first", listen, listen)
	}
	if err != nil {
		return err
	}
	work, stop := context.WithCancel(ctx)
	defer stop()
	done := make(chan error, 1)
	go func() { done <- s.Run(work) }()
	fmt.Fprintf(a.stdout, "There is no %s yet. Open http://%s on this machine to make one step by step.\n", path, s.Addr())
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		stop()
		return errors.Join(<-done, errNotWritten(path))
	case <-start.Done():
	}
	stop()
	o.Observe = true
	return <-done
}

// writable reports why no file can be made in a folder; nil: one can.
func writable(folder string) error {
	f, err := os.CreateTemp(folder, ".gillkeeper-*")
	if err != nil {
		return err
	}
	return errors.Join(f.Close(), os.Remove(f.Name()))
}

func errNotWritten(path string) error { return fmt.Errorf("stopped before %s was written", path) }

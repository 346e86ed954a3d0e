package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/daemon"
	"gillkeeper/metrics"
)

func newRunCommand(a *app) *cobra.Command {
	var path, level string
	var observe, first bool
	var pace float64
	cmd := &cobra.Command{
		Use:   "run --config FILE",
		Short: "Control the chambers of a configuration",
		Long: "Controls the chambers of a configuration until it is stopped. SIGHUP makes it read the file again: it uses the new\n" +
			"configuration whole, or keeps the old one and lists every fault.\n\n" +
			"--observe decides and shows, but commands nothing. Compare it with your present controls before you trust it. --pace\n" +
			"runs the clock faster, for drills against a simulated chamber.",
		Args: arguments(),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := needFlags(cmd, "config"); err != nil {
				return err
			}
			if err := goodPace(pace); err != nil {
				return err
			}
			log, err := a.logger(level)
			if err != nil {
				return err
			}
			o := daemon.Options{Observe: observe, Pace: pace, Build: buildInfo(), Log: log}
			if _, err := os.Lstat(path); !first && errors.Is(err, fs.ErrNotExist) {
				return fmt.Errorf("there is no file %s; write it, or add --first-start to make it step by step", path)
			}
			if first {
				if err := a.firstStart(cmd.Context(), path, firstListen, &o); err != nil {
					return err
				}
			}
			return a.runDaemon(cmd.Context(), path, o)
		},
	}
	f := cmd.Flags()
	f.StringVar(&path, "config", "", "the configuration `FILE`")
	f.BoolVar(&observe, "observe", false, "decide and show, but command nothing")
	f.BoolVar(&first, "first-start", false, "there is no FILE yet: make it step by step on a page of this machine, then only observe")
	f.Float64Var(&pace, "pace", 1, "run the clock `N` times faster, for drills")
	f.StringVar(&level, "log", "info", "how much to log: debug, info, warn or error")
	completeFlag(cmd, "log", fixed(logLevels...))
	return cmd
}

// logLevels are what --log may name.
var logLevels = []string{"debug", "info", "warn", "error"}

// logger writes to standard error.
func (a *app) logger(level string) (*slog.Logger, error) {
	var l slog.Level
	if err := l.UnmarshalText([]byte(level)); err != nil {
		return nil, fmt.Errorf("--log %s: give debug, info, warn or error", level)
	}
	return slog.New(slog.NewTextHandler(a.stderr, &slog.HandlerOptions{Level: l})), nil
}

func buildInfo() metrics.Info {
	b := thisBuild()
	return metrics.Info{Version: b.Version, Revision: b.Revision, Go: b.Go}
}

// runDaemon loads the file, runs the daemon, and reloads on SIGHUP.
func (a *app) runDaemon(ctx context.Context, path string, o daemon.Options) error {
	hup := make(chan os.Signal, 1)
	signal.Notify(hup, syscall.SIGHUP) // from the start on: until it is asked for, one ends the process
	defer signal.Stop(hup)
	c, err := a.loadConfig(path)
	if err != nil {
		return err
	}
	o.Config = c
	if os.Geteuid() == 0 {
		o.Log.Warn("gillkeeper runs as root and does not need to; give it a user of its own")
	}
	d, err := daemon.New(ctx, o)
	if err != nil {
		return err
	}
	signal.Ignore(syscall.SIGPIPE) // whoever read the log went away, and the crop did not: chambers are kept on
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	o.Log.Info("keeping chambers", "config", path, "chambers", len(c.Chambers), "page", "http://"+d.Web(), "observe", o.Observe)
	for {
		select {
		case err := <-done:
			return err
		case <-hup:
			a.reload(ctx, d, path, o.Log)
		}
	}
}

// loadConfig reads a configuration to start something with it, and prints every warning, and on a fault every fault.
func (a *app) loadConfig(path string) (*config.Config, error) {
	c, err := a.readConfig(path)
	if _, wrong := errors.AsType[*listedError](err); wrong {
		err = fmt.Errorf("%w; nothing was started", err)
	}
	return c, err
}

// listedError says that a configuration has faults, which are printed.
type listedError struct {
	path   string
	faults int
}

func (e *listedError) Error() string {
	return fmt.Sprintf("%s has %s, listed above", e.path, count(e.faults, "fault"))
}

func (a *app) readConfig(path string) (*config.Config, error) {
	a.sayTyping(path)
	c, warnings, err := config.Load(path)
	faults, wrong := errors.AsType[config.Faults](err)
	if !wrong {
		faults = warnings
	}
	for _, f := range faults {
		fmt.Fprintln(a.stderr, f.Error())
	}
	if wrong {
		n, _ := faults.Count()
		return nil, &listedError{path, n}
	}
	return c, err
}

// reload takes the file again, whole or not at all.
func (a *app) reload(ctx context.Context, d *daemon.Daemon, path string, log *slog.Logger) {
	c, err := a.readConfig(path)
	if err == nil {
		err = d.Reload(ctx, c)
	}
	if err != nil {
		d.Refused()
		log.Error("the new configuration was not taken; the old one stays in use", "config", path, "error", err)
		return
	}
	log.Info("the new configuration is in use", "config", path, "chambers", len(c.Chambers))
}

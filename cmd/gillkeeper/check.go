package main

import (
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/daemon"
	"gillkeeper/bridge/journal"
)

// checked is what check --json prints.
type checked struct {
	File     string         `json:"file"`
	Good     bool           `json:"good"` // no fault; there may be warnings
	Faults   []config.Fault `json:"faults"`
	Warnings []config.Fault `json:"warnings"`
}

func newCheckCommand(a *app) *cobra.Command {
	var asJSON, keys, acl bool
	cmd := &cobra.Command{
		Use:   "check FILE",
		Short: "Check a configuration and list everything that is wrong with it",
		Long: "Reads a configuration and the files it names, and lists everything that is wrong with it: one fault a line, with file\n" +
			"and line number, the value, what is allowed and the nearest correct word. It starts nothing and contacts no broker.\n\n" +
			"The exit status is 0 when the file is good and 1 when it isn't. Warnings don't count: they are about things that work\n" +
			"but are unwise.\n\n" +
			"--acl prints the rights that the daemon needs on the broker, and no more, in the format of Mosquitto's acl_file. The\n" +
			"configuration must be good.",
		Example: "  gillkeeper check gillkeeper.toml\n  gillkeeper check --keys\n  gillkeeper check --acl gillkeeper.toml > gillkeeper.acl",
		Args: func(cmd *cobra.Command, args []string) error {
			if keys {
				return arguments()(cmd, args)
			}
			return arguments("FILE")(cmd, args)
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if keys {
				return a.printKeys(asJSON)
			}
			if acl && asJSON {
				return usagef("%s prints an access list or JSON, not both", cmd.CommandPath())
			}
			if acl {
				return a.printRights(args[0])
			}
			return a.check(args[0], asJSON)
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	cmd.Flags().BoolVar(&keys, "keys", false, "list every key that a configuration may have")
	cmd.Flags().BoolVar(&acl, "acl", false, "print the rights that the daemon needs on the broker")
	return cmd
}

// printRights prints an access list on standard output, and what is wrong with the file on standard error.
func (a *app) printRights(file string) error {
	c, err := a.loadConfig(file)
	if err != nil {
		return err
	}
	user := c.Broker.Username
	if user == "" {
		return fmt.Errorf("%s: [broker] username is not set; rights are given to a user", file)
	}
	fmt.Fprintf(a.stdout, "# What gillkeeper may do with %s: read its sensors and plugs, command its plugs, show its chambers.\n%s", file, daemon.Rights(c).ACL(user))
	return nil
}

func (a *app) check(file string, asJSON bool) error {
	a.sayTyping(file)
	cfg, found, err := config.Check(file, journal.NoDatabase)
	if faults, ok := errors.AsType[config.Faults](err); ok {
		found = faults
	} else if err != nil {
		return err
	}
	if asJSON {
		return a.printChecked(file, found)
	}
	for _, f := range found {
		fmt.Fprintln(a.stdout, f.Error())
	}
	faults, warnings := found.Count()
	summary := count(faults, "fault") + ", " + count(warnings, "warning")
	if faults > 0 {
		return fmt.Errorf("%s is not good: %s; nothing starts with it", file, summary)
	}
	sensors, plugs := 0, 0
	for _, c := range cfg.Chambers {
		sensors, plugs = sensors+len(c.Sensors), plugs+len(c.Plugs)
	}
	fmt.Fprintf(a.stdout, "%s is good: %s, %s, %s; %s\n", file, count(len(cfg.Chambers), "chamber"), count(sensors, "sensor"), count(plugs, "plug"), summary)
	return nil
}

func (a *app) printChecked(file string, found config.Faults) error {
	c := checked{File: file, Faults: []config.Fault{}, Warnings: []config.Fault{}}
	for _, f := range found {
		if f.Warning {
			c.Warnings = append(c.Warnings, f)
		} else {
			c.Faults = append(c.Faults, f)
		}
	}
	c.Good = len(c.Faults) == 0
	if err := a.printJSON(c); err != nil {
		return err
	}
	if !c.Good {
		return &saidError{}
	}
	return nil
}

func (a *app) printKeys(asJSON bool) error {
	keys := config.Keys()
	if asJSON {
		return a.printJSON(keys)
	}
	t := newTable("KEY", "TYPE", "DEFAULT", "MEANING AND WHAT IS ALLOWED")
	for _, k := range keys {
		def := k.Default
		if k.Required {
			def = "(required)"
		}
		t.add(k.Name, k.Type, def, k.Meaning+"; "+k.Allowed)
	}
	a.printTable(t)
	return nil
}

// count writes a number with its noun: 1 fault, 2 faults, 2 entries, 2 batches, 2 flushes.
func count(n int, noun string) string {
	switch {
	case n == 1:
	case strings.HasSuffix(noun, "y"):
		noun = strings.TrimSuffix(noun, "y") + "ies"
	case strings.HasSuffix(noun, "ch"), strings.HasSuffix(noun, "sh"):
		noun += "es"
	default:
		noun += "s"
	}
	return fmt.Sprintf("%d %s", n, noun)
}

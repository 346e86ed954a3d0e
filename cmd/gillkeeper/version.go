package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// version is set when a release is built (-ldflags "-X main.version=1.2.3").
var version = ""

// build says what program this is.
type build struct {
	Version  string `json:"version"`
	Revision string `json:"revision,omitempty"`
	Modified bool   `json:"modified,omitempty"` // built from files that differ from the revision
	Go       string `json:"go"`
	Platform string `json:"platform"`
}

func thisBuild() build {
	b := build{Version: version, Go: runtime.Version(), Platform: runtime.GOOS + "/" + runtime.GOARCH}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return b
	}
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			b.Revision = s.Value
		case "vcs.modified":
			b.Modified = s.Value == "true"
		}
	}
	if b.Version == "" {
		b.Version = info.Main.Version
	}
	if b.Version == "" || b.Version == "(devel)" {
		b.Version = "development"
	}
	return b
}

// line is what version and --version print.
func (b *build) line() string {
	return fmt.Sprintf("gillkeeper %s (%s, %s)\n", b.Version, b.Go, b.Platform)
}

// addVersionFlag has --version do what version does: it is what many programs are asked first.
func addVersionFlag(root *cobra.Command) {
	b := thisBuild()
	root.Version = b.Version
	root.SetVersionTemplate(b.line())
	root.Flags().Bool("version", false, "say which build this is, as gillkeeper version does")
}

func newVersionCommand(a *app) *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "version",
		Short: "Say which build this is",
		Args:  arguments(),
		RunE: func(cmd *cobra.Command, args []string) error {
			b := thisBuild()
			if asJSON {
				return a.printJSON(b)
			}
			fmt.Fprint(a.stdout, b.line())
			return nil
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

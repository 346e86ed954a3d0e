package main

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"

	"gillkeeper/deploy/docs"
)

var manual = flag.String("manual", "", "write the manual pages and shell completions into this folder")

// TestManual makes a manual page of every command and of every page of the reference, and a completion for every shell, as
// the release does: it runs this test with -manual. The generator is no part of the program, which it would only make larger.
func TestManual(t *testing.T) {
	dir := *manual
	if dir == "" {
		dir = t.TempDir()
	}
	root := newRootCommand(newApp(strings.NewReader(""), os.Stdout, os.Stderr, func(string) string { return "" }))
	root.DisableAutoGenTag = true // a page must be the same whenever it is made
	header := &doc.GenManHeader{Title: "GILLKEEPER", Section: "1", Source: "gillkeeper", Manual: "User commands", Date: nil}
	if epoch := os.Getenv("SOURCE_DATE_EPOCH"); epoch == "" {
		t.Setenv("SOURCE_DATE_EPOCH", "0")
	}
	pages := filepath.Join(dir, "man1")
	completions := filepath.Join(dir, "completions")
	for _, d := range []string{pages, completions} {
		if err := os.MkdirAll(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := doc.GenManTree(root, header, pages); err != nil {
		t.Fatal(err)
	}
	for _, p := range docs.Pages() {
		folder := filepath.Join(dir, fmt.Sprintf("man%d", p.Section))
		if err := errors.Join(os.MkdirAll(folder, 0o755), os.WriteFile(filepath.Join(folder, fmt.Sprintf("%s.%d", p.Man, p.Section)), p.Manual(), 0o644)); err != nil {
			t.Fatal(err)
		}
	}
	for name, write := range map[string]func(string) error{
		"gillkeeper.bash": func(p string) error { return root.GenBashCompletionFileV2(p, true) },
		"_gillkeeper":     root.GenZshCompletionFile,
		"gillkeeper.fish": func(p string) error { return root.GenFishCompletionFile(p, true) },
	} {
		if err := write(filepath.Join(completions, name)); err != nil {
			t.Error(err)
		}
	}
	var missing []string
	var walk func(*cobra.Command)
	walk = func(c *cobra.Command) {
		if !c.IsAvailableCommand() && c != root {
			return
		}
		page := filepath.Join(pages, strings.ReplaceAll(c.CommandPath(), " ", "-")+".1")
		text, err := os.ReadFile(page)
		if err != nil || !strings.Contains(string(text), ".SH SYNOPSIS") || c != root && c.Long != "" && len(text) < 300 {
			missing = append(missing, c.CommandPath())
		}
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk(root)
	if len(missing) > 0 {
		t.Errorf("no manual page of %s", strings.Join(missing, ", "))
	}
}

package browsertest

import (
	"archive/tar"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gillkeeper/bridge/broker/realpart"
)

// axeVersion is the accessibility engine that the views are held to. It is fetched when a test first needs it and kept in
// the user's cache; nothing of it is part of this project.
const axeVersion = "4.14.1"

// axeSource gives the engine's script, or "" where it cannot be had and is not required.
func axeSource(t *testing.T) string {
	t.Helper()
	source, err := fetchAxe(t)
	if err == nil {
		return source
	}
	if realpart.Required("axe") {
		t.Fatal(err)
	}
	t.Logf("accessibility is not checked: %v", err)
	return ""
}

func fetchAxe(t *testing.T) (string, error) {
	folder, err := os.UserCacheDir()
	if err != nil {
		return "", err
	}
	folder = filepath.Join(folder, "gillkeeper-test")
	path := filepath.Join(folder, "axe-core-"+axeVersion+".js")
	if b, err := os.ReadFile(path); err == nil {
		return string(b), nil
	}
	npm, err := exec.LookPath("npm")
	if err != nil {
		return "", err
	}
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	temp := t.TempDir()
	cmd := exec.CommandContext(ctx, npm, "pack", "axe-core@"+axeVersion)
	cmd.Dir = temp
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("npm pack: %w: %s", err, out)
	}
	f, err := os.Open(filepath.Join(temp, "axe-core-"+axeVersion+".tgz"))
	if err != nil {
		return "", err
	}
	defer f.Close()
	b, err := fromPackage(f, "package/axe.min.js")
	if err != nil {
		return "", err
	}
	if err := os.MkdirAll(folder, 0o755); err == nil {
		_ = os.WriteFile(path, b, 0o644) // without a cache it is fetched again
	}
	return string(b), nil
}

func fromPackage(r io.Reader, name string) ([]byte, error) {
	z, err := gzip.NewReader(r)
	if err != nil {
		return nil, err
	}
	for files := tar.NewReader(z); ; {
		h, err := files.Next()
		if errors.Is(err, io.EOF) {
			return nil, fmt.Errorf("the package has no %s", name)
		}
		if err != nil {
			return nil, err
		}
		if h.Name == name {
			return io.ReadAll(files)
		}
	}
}

// TestTheAuditCanFail: an engine that finds nothing in a page full of faults would prove nothing.
func TestTheAuditCanFail(t *testing.T) {
	axe := axeSource(t)
	if axe == "" {
		t.Skip("the engine cannot be had")
	}
	t.Parallel()
	x := open(t, commonFarm(t).url, phone)
	x.goTo("/login")
	eval[int](x, `document.querySelector("main").insertAdjacentHTML("beforeend", "<img src='mark.svg'><input name='x'>")`+"||1")
	if found := faults(x, axe, everyRule); !strings.Contains(found, "image-alt") || !strings.Contains(found, "label") {
		t.Errorf("it finds %q", found)
	}
}

// rules are what a view is held to on one screen.
type rules string

// Every rule of WCAG 2.2 A and AA that the engine knows, or those alone that depend on colors and sizes: a view that was held
// to every rule on one screen has the same markup on the others.
const (
	unchecked rules = ""
	everyRule rules = `["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]`
	ofScreen  rules = `{ type: "rule", values: ["color-contrast", "target-size"] }`
)

// audit runs the engine and reports what is serious.
func audit(t testing.TB, x *tab, axe, view string, r rules) {
	t.Helper()
	if found := faults(x, axe, r); found != "" {
		t.Errorf("%s:\n%s", view, found)
	}
}

func faults(x *tab, axe string, r rules) string {
	x.t.Helper()
	if eval[string](x, "typeof window.axe") == "undefined" {
		eval[bool](x, axe+";true")
	}
	return eval[string](x, `axe.run(document, { preload: false, resultTypes: ["violations"], runOnly: `+string(r)+` }).then((r) => r.violations
		.filter((v) => v.impact === "serious" || v.impact === "critical" || v.impact === "moderate")
		.map((v) => v.id + " (" + v.impact + "): " + v.help + ": " + v.nodes.slice(0, 3).map((n) => n.html.slice(0, 160)).join(" | ")).join("\n"))`)
}

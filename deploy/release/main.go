// Release builds what is given to people: static programs for four kinds of machine, Debian packages, their checksums and
// a list of what is inside. The same source gives the same bytes.
//
// It is a module of its own, so that what it needs to build is no dependency of the program.
package main

import (
	"context"
	"crypto/sha256"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"
)

// target is a kind of machine.
type target struct {
	goarch, goarm string
	debian        string // its name in Debian; armv6 has none: Debian's armhf needs armv7
}

func (t target) name() string {
	if t.goarm != "" {
		return t.goarch + "v" + t.goarm
	}
	return t.goarch
}

var targets = []target{{"amd64", "", "amd64"}, {"arm64", "", "arm64"}, {"arm", "7", "armhf"}, {"arm", "6", ""}}

// sbomTool makes the list of what is inside, in the open CycloneDX form.
const sbomTool = "github.com/CycloneDX/cyclonedx-gomod/cmd/cyclonedx-gomod@v1.10.0"

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	source := flag.String("source", "../..", "the repository's top `FOLDER`")
	out := flag.String("out", "", "the `FOLDER` to write into; made when it is not there")
	version := flag.String("version", "", "the `VERSION`, such as 1.2.0")
	only := flag.String("only", "", "build for these `MACHINES` only, with commas between: amd64, arm64, armv7, armv6")
	sbom := flag.Bool("sbom", true, "list what is inside each program")
	flag.Parse()
	if err := run(ctx, *source, *out, *version, *only, *sbom); err != nil {
		fmt.Fprintln(os.Stderr, "release:", err)
		os.Exit(1)
	}
}

var versionForm = regexp.MustCompile(`^[0-9]+\.[0-9]+\.[0-9]+(~[a-z0-9.]+)?$`)

func run(ctx context.Context, source, out, version, only string, sbom bool) error {
	if out == "" {
		return fmt.Errorf("give the folder to write into with -out")
	}
	if !versionForm.MatchString(version) {
		return fmt.Errorf("-version %q: give three numbers, such as 1.2.0, and for a trial 1.2.0~rc1", version)
	}
	wanted := strings.Split(only, ",")
	chosen := slices.DeleteFunc(slices.Clone(targets), func(t target) bool { return only != "" && !slices.Contains(wanted, t.name()) })
	if only != "" && len(chosen) != len(wanted) {
		return fmt.Errorf("-only %q: give some of amd64, arm64, armv7 and armv6, each once", only)
	}
	source, err := filepath.Abs(source)
	if err != nil {
		return err
	}
	if out, err = filepath.Abs(out); err != nil {
		return err
	}
	if err := os.MkdirAll(out, 0o755); err != nil {
		return err
	}
	b := &build{ctx: ctx, source: source, out: out, version: version}
	if b.when, err = b.committed(); err != nil {
		return err
	}
	docs, err := os.MkdirTemp("", "gillkeeper-manual")
	if err != nil {
		return err
	}
	defer os.RemoveAll(docs)
	fmt.Println("manual pages and completions")
	if err := b.command("go", "test", "./cmd/gillkeeper", "-count=1", "-run", "^TestManual$", "-manual", docs); err != nil {
		return err
	}
	for i, t := range chosen {
		fmt.Printf("%d of %d: %s\n", i+1, len(chosen), t.name())
		if err := b.one(t, docs, sbom); err != nil {
			return fmt.Errorf("%s: %w", t.name(), err)
		}
	}
	return b.sums()
}

// build is one release in the making.
type build struct {
	ctx                  context.Context
	source, out, version string
	when                 time.Time // of the newest commit: what carries a time carries that
}

func (b *build) committed() (time.Time, error) {
	c := exec.CommandContext(b.ctx, "git", "log", "-1", "--format=%cI")
	c.Dir = b.source
	text, err := c.Output()
	if err != nil {
		return time.Time{}, fmt.Errorf("cannot tell when %s was last changed: %w", b.source, err)
	}
	return time.Parse(time.RFC3339, strings.TrimSpace(string(text)))
}

func (b *build) command(name string, args ...string) error {
	return b.commandIn(nil, name, args...)
}

func (b *build) commandIn(env []string, name string, args ...string) error {
	c := exec.CommandContext(b.ctx, name, args...)
	c.Dir = b.source
	c.Env = append(os.Environ(), fmt.Sprintf("SOURCE_DATE_EPOCH=%d", b.when.Unix()))
	c.Env = append(c.Env, env...)
	if text, err := c.CombinedOutput(); err != nil {
		return fmt.Errorf("%s %s: %w\n%s", name, strings.Join(args, " "), err, text)
	}
	return nil
}

// one builds the program for one kind of machine, and what goes with it.
func (b *build) one(t target, docs string, sbom bool) error {
	program := filepath.Join(b.out, "gillkeeper-"+b.version+"-linux-"+t.name())
	env := []string{"CGO_ENABLED=0", "GOOS=linux", "GOARCH=" + t.goarch, "GOARM=" + t.goarm}
	err := b.commandIn(env, "go", "build", "-trimpath", "-buildvcs=true", "-ldflags", "-s -w -X main.version="+b.version, "-o", program, "./cmd/gillkeeper")
	if err != nil {
		return err
	}
	if sbom {
		if err := b.list(program); err != nil {
			return err
		}
	}
	if t.debian == "" {
		return nil
	}
	return b.debian(t, program, docs)
}

// madeAt is where a list of what is inside says when it was made.
var madeAt = regexp.MustCompile(`("timestamp": )"[^"]*"`)

// list writes down what is inside a program. Without a serial number, and with the source's own time, it is the same for
// the same source.
func (b *build) list(program string) error {
	name := program + ".cdx.json"
	if err := b.command("go", "run", sbomTool, "bin", "-json", "-noserial", "-output", name, program); err != nil {
		return err
	}
	list, err := os.ReadFile(name)
	if err != nil {
		return err
	}
	list = madeAt.ReplaceAll(list, []byte(`${1}"`+b.when.UTC().Format(time.RFC3339)+`"`))
	return os.WriteFile(name, list, 0o644)
}

// sums writes the checksums of everything that is in the folder.
func (b *build) sums() error {
	entries, err := os.ReadDir(b.out)
	if err != nil {
		return err
	}
	var lines strings.Builder
	for _, e := range entries {
		if e.Name() == "SHA256SUMS" || e.IsDir() {
			continue
		}
		f, err := os.Open(filepath.Join(b.out, e.Name()))
		if err != nil {
			return err
		}
		h := sha256.New()
		_, err = io.Copy(h, f)
		f.Close()
		if err != nil {
			return err
		}
		fmt.Fprintf(&lines, "%x  %s\n", h.Sum(nil), e.Name())
	}
	fmt.Print(lines.String())
	return os.WriteFile(filepath.Join(b.out, "SHA256SUMS"), []byte(lines.String()), 0o644)
}

package docs

import (
	"bytes"
	"encoding/xml"
	"flag"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/bridge/broker/realpart"
	"gillkeeper/bridge/config"
	"gillkeeper/bridge/web"
	"gillkeeper/bridge/web/webtest"
	"gillkeeper/deploy/dashboard"
)

var update = flag.Bool("update", false, "write the pages anew; read the difference before you keep it")

// TestPagesAreWhatTheProgramGives makes every page anew from the program's tables.
func TestPagesAreWhatTheProgramGives(t *testing.T) {
	api, err := API(openapi(t))
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range append(Pages(), api) {
		path := p.File + ".md"
		want := p.Markdown()
		if *update {
			if err := os.WriteFile(path, want, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		got, err := os.ReadFile(path)
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("deploy/docs/%s is not what the program says of itself; run go test ./deploy/docs -update and read the difference", path)
		}
	}
}

// TestPicturesAreWhatThePhysicsGives draws every picture anew.
func TestPicturesAreWhatThePhysicsGives(t *testing.T) {
	for _, p := range Pictures {
		path := filepath.Join("pictures", p.File)
		want, err := p.Draw()
		if err != nil {
			t.Fatal(err)
		}
		if err := xml.Unmarshal(want, new(struct{ XMLName xml.Name })); err != nil {
			t.Errorf("%s: %v", path, err)
		}
		if *update {
			if err := os.WriteFile(path, want, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		got, err := os.ReadFile(path)
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("deploy/docs/%s is not what the program's physics gives; run go test ./deploy/docs -update and look at it", path)
		}
	}
}

// openapi asks a running server how it describes itself.
func openapi(t *testing.T) []byte {
	t.Helper()
	twin := webtest.New()
	s, err := web.New(web.Options{Listen: "127.0.0.1:0", Backend: twin, Now: twin.Now, Ahead: twin.Outlook})
	if err != nil {
		t.Fatal(err)
	}
	brokertest.Go(t, s.Run)
	r, err := http.Get("http://" + s.Addr().String() + "/api/v1/openapi.json")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// TestNothingIsLeftUnsaid: every table of the file is explained, and no page has an empty place.
func TestNothingIsLeftUnsaid(t *testing.T) {
	for _, k := range config.Keys() {
		if tables[k.Table] == "" {
			t.Errorf("say in reference.go what %s is for", k.Table)
		}
	}
	for _, p := range Pages() {
		text := string(p.Markdown())
		for _, hole := range []string{"``", "Allowed: .", " = `\n", "cause: \n", "Do: \n", "%!"} {
			if strings.Contains(strings.ReplaceAll(text, "```", ""), hole) {
				t.Errorf("%s has %q in it", p.File, hole)
			}
		}
	}
}

// TestEveryPanelIsExplained on the page that says how to read the dashboard.
func TestEveryPanelIsExplained(t *testing.T) {
	page, err := os.ReadFile("dashboard.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range dashboard.Rows() {
		_, part, there := strings.Cut(string(page), "### "+r.Title+"\n")
		part, _, _ = strings.Cut(part, "\n### ")
		if !there {
			t.Errorf("dashboard.md does not speak of the row %s", r.Title)
		}
		for _, p := range r.Panels {
			if !strings.Contains(part, "**"+p.Title+"**") {
				t.Errorf("dashboard.md does not explain %s of the row %s", p.Title, r.Title)
			}
		}
	}
}

// TestManualPages has the reader's own program set every page and listens to what it complains of.
func TestManualPages(t *testing.T) {
	groff := realpart.Find(t, "groff", "groff")
	for _, p := range Pages() {
		cmd := exec.CommandContext(t.Context(), groff, "-man", "-Tutf8", "-P-cbou", "-ww", "-Kutf8")
		cmd.Stdin = bytes.NewReader(p.Manual())
		var said bytes.Buffer
		cmd.Stderr = &said
		set, err := cmd.Output()
		if err != nil || said.Len() > 0 {
			t.Errorf("%s(%d): %v %s", p.Man, p.Section, err, said.String())
		}
		if !bytes.Contains(set, []byte("SEE ALSO")) || !bytes.Contains(set, []byte("gillkeeper")) {
			t.Errorf("%s(%d) was set as %.300s", p.Man, p.Section, set)
		}
	}
}

var link = regexp.MustCompile(`\]\(([^)#]+)(#[^)]*)?\)`)

// TestLinks: what README, DEVELOPERS and the pages point at in the repository is there.
func TestLinks(t *testing.T) {
	pages, err := filepath.Glob("*.md")
	if err != nil || len(pages) < 5 {
		t.Fatalf("pages %v, error %v", pages, err)
	}
	for _, page := range append(pages, "../../README.md", "../../DEVELOPERS.md") {
		text, err := os.ReadFile(page)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range link.FindAllStringSubmatch(string(text), -1) {
			if strings.Contains(m[1], "://") {
				continue
			}
			if _, err := os.Stat(filepath.Join(filepath.Dir(page), m[1])); err != nil {
				t.Errorf("%s points at %s, which is not there", page, m[1])
			}
		}
	}
}

const patience = 10 * time.Second

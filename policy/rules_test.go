package policy_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// banned says which packages nothing under policy may depend on, and why.
var banned = map[string]string{
	"net":                   "policy does no I/O",
	"net/http":              "policy does no I/O",
	"os/exec":               "policy does no I/O",
	"database/sql":          "policy does no I/O",
	"log":                   "policy does not log: its reasons are data",
	"log/slog":              "policy does not log: its reasons are data",
	"context":               "policy neither waits nor is canceled",
	"math/rand":             "policy is deterministic: math/rand/v2 with a seed where a simulation needs noise",
	"gillkeeper/metrics":    "metrics looks at policy, not the other way",
	"github.com/BurntSushi": "policy reads no files",
	"github.com/eclipse":    "policy knows no broker",
	"github.com/prometheus": "policy knows no metrics",
	"github.com/mochi-mqtt": "policy knows no broker",
	"github.com/spf13":      "policy knows no commands",
	"modernc.org":           "policy knows no store",
	"gillkeeper/bridge":     "values flow from bridge to policy and back, never policy into bridge",
	"gillkeeper/cmd":        "policy knows no commands",
}

// direct says which packages no file under policy may import itself. The standard library may, underneath.
var direct = map[string]string{
	"os":          "policy does no I/O",
	"io/ioutil":   "policy does no I/O",
	"sync":        "one goroutine owns a chamber; policy needs no locks",
	"sync/atomic": "one goroutine owns a chamber; policy needs no locks",
	"runtime":     "policy is the same on every machine",
	"syscall":     "policy does no I/O",
	"unsafe":      "policy has nothing to hide",
}

// calls says which functions no file under policy may use.
var calls = map[string]string{
	"time.Now":       "time is an argument",
	"time.Since":     "time is an argument",
	"time.Until":     "time is an argument",
	"time.Sleep":     "policy does not wait",
	"time.After":     "policy does not wait",
	"time.Tick":      "policy does not wait",
	"time.NewTimer":  "policy does not wait",
	"time.NewTicker": "policy does not wait",
	"time.AfterFunc": "policy does not wait",
	"fmt.Print":      "policy says nothing: words are made at the edge",
	"fmt.Println":    "policy says nothing: words are made at the edge",
	"fmt.Printf":     "policy says nothing: words are made at the edge",
}

// TestPolicyDependsOnNothingOutside walks the import graph of everything under policy.
func TestPolicyDependsOnNothingOutside(t *testing.T) {
	out, err := exec.CommandContext(t.Context(), "go", "list", "-deps", "./...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	deps := strings.Fields(string(out))
	if len(deps) < 20 {
		t.Fatalf("only %d packages found: the walk saw nothing", len(deps))
	}
	for _, d := range deps {
		for ban, why := range banned {
			if d == ban || strings.HasPrefix(d, ban+"/") && strings.Contains(ban, "/") {
				t.Errorf("policy depends on %s: %s", d, why)
			}
		}
	}
}

// TestPolicyIsPure reads every file under policy for what a pure package may not do: banned imports and calls,
// goroutines, channels, printing.
func TestPolicyIsPure(t *testing.T) {
	files := 0
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		files++
		for _, fault := range impurities(t, path, nil) {
			t.Error(fault)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if files < 15 {
		t.Fatalf("only %d files read: the walk saw nothing", files)
	}
}

// TestPurityTestSees shows that the reading above finds each kind of fault.
func TestPurityTestSees(t *testing.T) {
	src := `package bad
import ("os"; "time"; "sync")
var mu sync.Mutex
func f() { go f(); _ = time.Now(); c := make(chan int); c <- 1; _ = os.Args }
`
	got := impurities(t, "bad.go", []byte(src))
	if len(got) != 5 {
		t.Errorf("found %d faults, want 5 (os, sync, go, time.Now, channel): %q", len(got), got)
	}
}

func impurities(t *testing.T, path string, src []byte) []string {
	t.Helper()
	set := token.NewFileSet()
	if src == nil {
		var err error
		if src, err = os.ReadFile(path); err != nil {
			t.Fatal(err)
		}
	}
	file, err := parser.ParseFile(set, path, src, 0)
	if err != nil {
		t.Fatal(err)
	}
	var faults []string
	say := func(at token.Pos, what, why string) {
		faults = append(faults, set.Position(at).String()+": "+what+": "+why)
	}
	for _, imp := range file.Imports {
		name, _ := strconv.Unquote(imp.Path.Value)
		if why, bad := direct[name]; bad {
			say(imp.Pos(), "imports "+name, why)
		}
	}
	ast.Inspect(file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			say(n.Pos(), "starts a goroutine", "policy is values in, values out")
		case *ast.ChanType:
			say(n.Pos(), "uses a channel", "policy is values in, values out")
		case *ast.SelectorExpr:
			if x, ok := n.X.(*ast.Ident); ok {
				if why, bad := calls[x.Name+"."+n.Sel.Name]; bad {
					say(n.Pos(), "uses "+x.Name+"."+n.Sel.Name, why)
				}
			}
		}
		return true
	})
	return faults
}

// TestOnlyArithmeticIsLeftUnwatched: the race detector watches everything but the innermost arithmetic of plant, learner and
// plan. It works on values of its caller, is most of what a simulation computes, and took more than twice the time.
func TestOnlyArithmeticIsLeftUnwatched(t *testing.T) {
	for _, top := range []string{"../policy", "../bridge", "../metrics", "../cmd"} {
		err := filepath.WalkDir(top, func(path string, d fs.DirEntry, err error) error {
			if err != nil || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return err
			}
			text, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			switch filepath.ToSlash(filepath.Dir(path)) {
			case "../policy/plant", "../policy/learn", "../policy/control":
			default:
				if strings.Contains(string(text), "//go:"+"norace") {
					t.Errorf("%s hides something from the race detector", path)
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
}

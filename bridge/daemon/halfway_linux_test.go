package daemon

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"gillkeeper/testdata/smalldisk"
)

// TestFullHalfWay fills the disk under the daemon: harvests and imports are refused whole, older history stays as it was,
// and all goes on once there is room. Then it is killed, and what was acknowledged is there.
func TestFullHalfWay(t *testing.T) {
	b := newBook(t, smalldisk.Mount(t, "8m"))
	defer b.end()
	b.remember(12)
	b.begin()
	if b.acked, b.tried = 1, 1; !b.post("/api/v1/batches/b1/harvest", map[string]any{"id": "first", "fresh_g": 1}) || !b.bring("first") {
		t.Fatal("nothing can be written")
	}
	b.imports["first"] = true
	b.kill()
	b.remember(36)
	was := b.past(time.Hour)

	t.Setenv(tidyEnv, "1500ms")
	b.start()
	filler := smalldisk.Fill(t, b.folder)
	refused := 0
	for end := time.Now().Add(20 * time.Second); refused < 20 && time.Now().Before(end); {
		name := fmt.Sprintf("full-%d", len(b.imports))
		if b.imports[name] = b.bring(name); !b.imports[name] {
			refused++
		}
		b.tried++
		if b.post("/api/v1/batches/b1/harvest", map[string]any{"id": name, "fresh_g": 1}) {
			b.acked++
		}
		smalldisk.Fill(t, b.folder) // what was freed meanwhile
	}
	if refused < 20 {
		t.Fatal("the disk did not fill up")
	}
	for end := time.Now().Add(20 * time.Second); !strings.Contains(b.log.String(), "could not be pruned") && !strings.Contains(b.log.String(), "was pruned"); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("the journal was not put in order:\n%s", b.log.String())
		}
	}
	b.audit()
	b.kill()
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	b.same(was)
	t.Setenv(tidyEnv, "50ms")
	b.start()
	b.audit()
	if b.imports["after"] = b.bring("after"); !b.imports["after"] {
		t.Error("nothing is taken once there is room")
	}
	for end := time.Now().Add(20 * time.Second); !strings.Contains(b.log.String(), "was pruned"); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("the journal is not put in order once there is room:\n%s", b.log.String())
		}
	}
	b.kill()
	b.same(was)
	b.start()
	b.audit()
	t.Logf("%d harvests acknowledged of %d; %d of %d imports refused", b.acked, b.tried, refused, len(b.imports))
}

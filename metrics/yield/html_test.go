package yield_test

import (
	"bytes"
	"os"
	"testing"
	"time"

	"gillkeeper/metrics/yield"
)

// written makes the page of a season.
func written(t testing.TB, s *yield.Season) []byte {
	t.Helper()
	r, err := yield.Make(t.Context(), s, nil)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := r.WriteHTML(&b, s, time.Date(2026, 9, 3, 0, 0, 0, 0, time.UTC)); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestDump(t *testing.T) {
	if p := os.Getenv("DUMP"); p != "" {
		os.WriteFile(p, written(t, recorded(t)), 0o644)
	}
}

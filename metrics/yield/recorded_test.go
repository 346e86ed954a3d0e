package yield_test

import (
	"compress/gzip"
	"context"
	"flag"
	"io"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"gillkeeper/metrics/yield"
	"gillkeeper/metrics/yield/yieldtest"
	"gillkeeper/policy/species"
)

var update = flag.Bool("update", false, "write the recorded season anew")

const (
	recordedDir  = "../../testdata/season"
	recordedSeed = 2026
)

// recorded gives the season that lies in testdata: a copy whose parts nobody writes to.
func recorded(t testing.TB) *yield.Season {
	t.Helper()
	if *update {
		writeRecorded(t)
	}
	s, err := readOnce()
	if err != nil {
		t.Fatal(err)
	}
	return new(*s)
}

var readOnce = sync.OnceValues(func() (*yield.Season, error) { return yield.Read(yield.Folder(recordedDir)) })

// reported gives the report of the recorded season.
func reported(t testing.TB) *yield.Report {
	t.Helper()
	s := recorded(t)
	reportOnce.Do(func() { theReport, reportErr = yield.Make(context.Background(), s, nil) })
	if reportErr != nil {
		t.Fatal(reportErr)
	}
	return theReport
}

var (
	reportOnce sync.Once
	theReport  *yield.Report
	reportErr  error
)

// brief is a season with the first two days of each chamber's climate only.
func brief(s *yield.Season) *yield.Season {
	for i := range s.Chambers {
		old := &s.Chambers[i].Climate
		var c yield.Climate
		for k := range 48 {
			n := c.Add(time.Unix(old.Start[k], 0), time.Hour)
			c.RH[n], c.TemperatureC[n], c.CO2[n] = old.RH[k], old.TemperatureC[k], old.CO2[k]
		}
		*old = c
	}
	return s
}

// zipped is a compressed file.
type zipped struct {
	*gzip.Writer
	f *os.File
}

func (z zipped) Close() error {
	if err := z.Writer.Close(); err != nil {
		return err
	}
	return z.f.Close()
}

func writeRecorded(t testing.TB) {
	t.Helper()
	err := yieldtest.Make(recordedSeed, yieldtest.Planted).Write(func(name string) (io.WriteCloser, error) {
		if name == "climate.csv" {
			f, err := os.Create(filepath.Join(recordedDir, name+".gz"))
			if err != nil {
				return nil, err
			}
			z, err := gzip.NewWriterLevel(f, gzip.BestCompression)
			return zipped{z, f}, err
		}
		return os.Create(filepath.Join(recordedDir, name))
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestRecordedSeason: three chambers, twelve batches, thirty flushes; the report finds what was planted.
func TestRecordedSeason(t *testing.T) {
	s := recorded(t)
	flushes := 0
	for i := range s.Batches {
		flushes += len(s.Batches[i].Flushes)
	}
	if len(s.Chambers) != 3 || len(s.Batches) != 12 || flushes != 30 {
		t.Fatalf("%d chambers, %d batches, %d flushes", len(s.Chambers), len(s.Batches), flushes)
	}
	r := reported(t)
	co2, dry := false, false
	for i := range r.Relations {
		x := &r.Relations[i]
		t.Logf("%-9s %-32s r %+.2f [%+.2f, %+.2f] p %.4f q %.4f found %t", x.Stage, x.Measure, x.R, x.Low, x.High, x.P, x.Q, x.Found)
		if !x.Found {
			continue
		}
		if !yieldtest.True(yieldtest.Planted, x.Species, x.Stage, x.Measure) {
			t.Errorf("%s while %s was found and not planted", x.Measure, x.Stage)
		}
		co2 = co2 || x.Stage == species.Pinning && x.Measure == "co2_above_limit" && x.R < 0
		dry = dry || x.Stage == species.Fruiting && x.Measure == "longest_dry_dip_hours" && x.R < 0
	}
	if !co2 || !dry {
		t.Errorf("CO2 while pinning found: %t; dry dips while fruiting found: %t", co2, dry)
	}
	if len(r.TooFew) != 1 || r.TooFew[0].Species != "hericium-erinaceus" || r.TooFew[0].Batches != 2 {
		t.Errorf("two batches of lion's mane are too few to ask about, not %+v", r.TooFew)
	}
}

// TestRecordedSeasonIsWhatTheGeneratorMakes: the files beside the generator are its own.
func TestRecordedSeasonIsWhatTheGeneratorMakes(t *testing.T) {
	read, made := recorded(t), yieldtest.Make(recordedSeed, yieldtest.Planted)
	got := files(t, read)
	for name, want := range files(t, made) {
		if got[name] != want {
			t.Errorf("%s differs from what is made; run go test ./metrics/yield -run Recorded -update", name)
		}
	}
}

// files writes a season into memory.
func files(t testing.TB, s *yield.Season) yield.Files {
	t.Helper()
	all := yield.Files{}
	if err := s.Write(all.Create); err != nil {
		t.Fatal(err)
	}
	return all
}

package ledger

import (
	"bytes"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gillkeeper/bridge/web/api"
)

// TestRead reads a file as a spreadsheet writes it: a mark in front, columns in another order, carriage returns.
func TestRead(t *testing.T) {
	madrid := time.FixedZone("CET", 3600)
	text := "\ufeffbatch,AT,chamber, kind ,fresh_g,marks,done,note\r\n" +
		"oyster-1,2026-01-14 03:12,loft,harvest,840.5,first; pale-caps ,Yes,\"two\nlines\"\r\n" +
		"\r\n" +
		"oyster-1,2026-01-15T00:00:00Z,loft,note,,,,x\r\n"
	entries, lines, faults, err := Read(strings.NewReader(text), madrid)
	if err != nil || faults != nil {
		t.Fatal(faults, err)
	}
	want := []api.Entry{
		{At: time.Date(2026, 1, 14, 2, 12, 0, 0, time.UTC), Chamber: "loft", Batch: "oyster-1", Kind: "harvest", FreshG: 840.5,
			Marks: []string{"first", "pale-caps"}, Done: true, Note: "two\nlines"},
		{At: time.Date(2026, 1, 15, 0, 0, 0, 0, time.UTC), Chamber: "loft", Batch: "oyster-1", Kind: "note", Note: "x"},
	}
	if !reflect.DeepEqual(entries, want) || !slices.Equal(lines, []int{2, 5}) {
		t.Errorf("got %+v on lines %v", entries, lines)
	}
}

// TestFaults: each fault with its line, and all of them.
func TestFaults(t *testing.T) {
	text := "at,chamber,batch,kind,fresh_g,done,stage,inoculated,cause\n" +
		"yesterday,loft,a,harvest,1,,,,\n" +
		"2026-01-01,loft,a,harvest,1e999,maybe,,,\n" +
		"2026-01-01,loft,a,stage_set,,,fruting,2026-13-01,\n" +
		"2026-01-01,loft,a\n" +
		"2026-01-01,loft,a,loss,,,,,eaten\n" +
		"2026-01-01,loft,\xff,loss,NaN,,,,\n"
	_, _, faults, err := Read(strings.NewReader(text), time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	want := []struct {
		line int
		says string
	}{{2, `at "yesterday" is not a moment`}, {3, `fresh_g "1e999" is not a number`}, {3, `done "maybe" is neither yes nor no`},
		{4, "did you mean fruiting?"}, {4, `inoculated "2026-13-01" is not a moment`}, {5, "it has 3 cells and the header has 9"},
		{6, `cause "eaten" is none of contaminated, aborted, spoiled`}, {7, "batch is not UTF-8"}, {7, `fresh_g "NaN" is not a number`}}
	if len(faults) != len(want) {
		t.Fatalf("got %v", faults)
	}
	for i, w := range want {
		if faults[i].Line != w.line || !strings.Contains(faults[i].What, w.says) {
			t.Errorf("got line %d: %s; want %d: %s", faults[i].Line, faults[i].What, w.line, w.says)
		}
	}
	for text, says := range map[string]string{
		"": "the file is empty", "at,at,chamber,batch,kind\n": "column at is there twice",
		"at,chamber,batch,kind\n2026-01-01,\"loft": "it is no CSV", "at,chamber,batch\n": "column kind is missing",
		"at;chamber;batch;kind\n": "there are semicolons between its cells; save it with commas between them", "at\tchamber\n": "there are tabs",
		"at,chamber,batch,kind,spezies\n": "did you mean species?",
	} {
		if _, _, faults, _ := Read(strings.NewReader(text), time.UTC); len(faults) == 0 || !strings.Contains(faults[0].What, says) {
			t.Errorf("%q: got %v, want %s", text, faults, says)
		}
	}
}

// TestRoundTrip: what is written is read back as it was.
func TestRoundTrip(t *testing.T) {
	word := rapid.StringMatching(`[a-z][a-z0-9-]{0,10}`)
	prose := rapid.Custom(func(t *rapid.T) string {
		return strings.TrimSpace(strings.ReplaceAll(rapid.String().Draw(t, "prose"), "\r", ""))
	})
	weight := rapid.Custom(func(t *rapid.T) float64 { return rapid.Float64Range(0, 1e6).Draw(t, "weight") })
	moments := rapid.Custom(func(t *rapid.T) time.Time {
		return time.Unix(rapid.Int64Range(1, 4e9).Draw(t, "s"), rapid.Int64Range(0, 999_999_999).Draw(t, "ns")).UTC()
	})
	rapid.Check(t, func(t *rapid.T) {
		var entries []api.Entry
		for range rapid.IntRange(0, 5).Draw(t, "n") {
			e := api.Entry{At: moments.Draw(t, "at"), Chamber: word.Draw(t, "chamber"), Batch: word.Draw(t, "batch"),
				Kind: rapid.SampledFrom(kinds).Draw(t, "kind"), Species: word.Draw(t, "species"), Strain: prose.Draw(t, "strain"),
				Supplements: prose.Draw(t, "supplements"), Position: prose.Draw(t, "position"), SubstrateKg: weight.Draw(t, "kg"),
				DryKg: weight.Draw(t, "dry"), Stage: rapid.SampledFrom(append(stages, "")).Draw(t, "stage"), FreshG: weight.Draw(t, "g"),
				Done: rapid.Bool().Draw(t, "done"), Cause: rapid.SampledFrom(append(causes, "")).Draw(t, "cause"), Grams: weight.Draw(t, "lost"),
				Note: prose.Draw(t, "note")}
			if m := rapid.SliceOfN(word, 0, 3).Draw(t, "marks"); len(m) > 0 {
				e.Marks = m
			}
			if rapid.Bool().Draw(t, "inoculated?") {
				e.Inoculated = new(moments.Draw(t, "inoculated"))
			}
			entries = append(entries, e)
		}
		var b bytes.Buffer
		if err := Write(&b, entries); err != nil {
			t.Fatal(err)
		}
		got, _, faults, err := Read(&b, time.UTC)
		if err != nil || faults != nil || !reflect.DeepEqual(got, entries) {
			t.Fatalf("wrote %+v\nread  %+v\nfaults %v, %v", entries, got, faults, err)
		}
	})
}

// FuzzRead: whatever is read, it ends, and what it takes without a fault is written and read back as the same.
func FuzzRead(f *testing.F) {
	f.Add("at,chamber,batch,kind,fresh_g\n2026-01-14 03:12,loft,oyster-1,harvest,840\n")
	f.Add("kind,batch,chamber,at,marks,inoculated\nharvest,a,b,2026-01-01,first;second,2025-12-31\n")
	f.Add("\ufeffat,chamber,batch,kind\r\n\"2026-01-01\",\"a\"\"b\",c,note\r\n")
	f.Fuzz(func(t *testing.T, text string) {
		entries, lines, faults, err := Read(strings.NewReader(text), time.UTC)
		if err != nil {
			t.Fatal(err) // a string's reader never fails
		}
		if len(entries) != len(lines) {
			t.Fatalf("%d entries, %d lines", len(entries), len(lines))
		}
		for _, f := range faults {
			if f.Line < 1 || strings.Contains(f.What, "\n") {
				t.Fatalf("fault %+v", f)
			}
		}
		if len(faults) > 0 {
			return
		}
		var b bytes.Buffer
		if err := Write(&b, entries); err != nil {
			t.Fatal(err)
		}
		again, _, faults, err := Read(&b, time.UTC)
		if err != nil || len(faults) > 0 {
			t.Fatalf("its own file: %v %v", faults, err)
		}
		if !reflect.DeepEqual(plain(entries), plain(again)) {
			t.Fatalf("read  %+v\nagain %+v", entries, again)
		}
	})
}

// plain takes no entries for nil, as they are read back.
func plain(entries []api.Entry) []api.Entry {
	if len(entries) == 0 {
		return nil
	}
	return entries
}

// TestMomentsAreTheDaemons: on 25 October 2026 Madrid's clocks showed 02:30 at 00:30 and at 01:30 UTC, and no 02:30 on 29 March.
func TestMomentsAreTheDaemons(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Madrid")
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]string{"2026-10-25 02:30": "2026-10-25T01:30:00Z", "2026-03-29 02:30": "2026-03-29T01:30:00Z",
		"2026-07-01T08:15:30": "2026-07-01T06:15:30Z"} {
		got, _, faults, err := Read(strings.NewReader("at,chamber,batch,kind,note\n"+text+",loft,oyster-1,note,wet\n"), zone)
		if err != nil || len(faults) > 0 || got[0].At.Format(time.RFC3339) != want {
			t.Errorf("%s: %+v, %v, %v; want %s", text, got, faults, err, want)
		}
	}
}

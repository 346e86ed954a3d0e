package journal

import (
	"encoding/json"
	"path/filepath"
	"reflect"
	"testing"

	"gillkeeper/policy"
)

// records asks for what every journal here is.
func records(t *testing.T, j Journal) Records {
	t.Helper()
	r, ok := j.(Records)
	if !ok {
		t.Fatalf("%T keeps no records", j)
	}
	return r
}

func kept(t *testing.T, r Records, part string) map[string]string {
	t.Helper()
	all, err := r.Kept(t.Context(), part)
	must(t, err)
	got := map[string]string{}
	for i, x := range all {
		got[x.Name] = string(x.Body)
		if i > 0 && all[i-1].Name >= x.Name {
			t.Errorf("%s comes after %s", x.Name, all[i-1].Name)
		}
	}
	return got
}

func TestRecords(t *testing.T) {
	each(t, func(t *testing.T, j Journal) {
		r := records(t, j)
		if got := kept(t, r, "post"); len(got) != 0 {
			t.Errorf("an empty journal keeps %v", got)
		}
		must(t, r.Keep(t.Context(), "post", []Record{{"b", json.RawMessage(`{"n":1}`)}, {"a", json.RawMessage(`"ünï"`)}}))
		must(t, r.Keep(t.Context(), "other", []Record{{"b", json.RawMessage(`2`)}}))
		must(t, r.Keep(t.Context(), "post", []Record{{"a", nil}, {"b", json.RawMessage(`{"n":3}`)}, {"gone", nil}}))
		if got, want := kept(t, r, "post"), map[string]string{"b": `{"n":3}`}; !reflect.DeepEqual(got, want) {
			t.Errorf("post keeps %v, want %v", got, want)
		}
		if got, want := kept(t, r, "other"), map[string]string{"b": `2`}; !reflect.DeepEqual(got, want) {
			t.Errorf("other keeps %v, want %v", got, want)
		}
		for name, bad := range map[string][]Record{"without a name": {{"", json.RawMessage(`1`)}}, "not JSON": {{"ok", json.RawMessage(`1`)}, {"x", json.RawMessage(`{`)}}} {
			if err := r.Keep(t.Context(), "bad", bad); err == nil {
				t.Errorf("a record %s was kept", name)
			}
		}
		if err := r.Keep(t.Context(), "", []Record{{"x", json.RawMessage(`1`)}}); err == nil {
			t.Error("a record of no part was kept")
		}
		if got := kept(t, r, "bad"); len(got) != 0 {
			t.Errorf("of a refused call %v was kept", got)
		}
		must(t, j.Close())
		if err := r.Keep(t.Context(), "post", []Record{{"x", json.RawMessage(`1`)}}); err == nil {
			t.Error("a closed journal keeps records")
		}
	})
}

// TestOlderFileOpens: a file of the first schema opens with all that is in it, and takes what later ones brought.
func TestOlderFileOpens(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := openAt(t, path)
	seq, err := j.Act(t.Context(), "loft", act("one", policy.Refilled, "", t0))
	must(t, err)
	must(t, j.Save(t.Context(), []Saved{{"loft", seq, t0, json.RawMessage(`{"schema":1}`)}}))
	for _, back := range []string{"DROP TABLE records", "UPDATE meta SET value = '1' WHERE key = 'schema'"} {
		_, err := j.f.quick.conn.ExecContext(t.Context(), back)
		must(t, err)
	}
	must(t, j.Close())

	j = openAt(t, path)
	loaded, err := j.Load(t.Context(), "loft")
	must(t, err)
	if !loaded.OK || loaded.Saved.Seq != seq || string(loaded.Saved.State) != `{"schema":1}` {
		t.Errorf("the older file holds %+v", loaded)
	}
	must(t, j.Keep(t.Context(), "post", []Record{{"a", json.RawMessage(`1`)}}))
	must(t, j.Close())
	j = openAt(t, path)
	if got := kept(t, j, "post"); got["a"] != "1" {
		t.Errorf("after reopening %v is kept", got)
	}
	must(t, j.Close())
}

package senml

import (
	"encoding/json"
	"os"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// now is when the examples of RFC 8428 are read; those with a base time do not depend on it.
var now = time.Unix(1_400_000_000, 0)

func example(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile("testdata/" + name + ".json")
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestExamples: the packs of RFC 8428 §5.1, resolved by hand after §4.5 and §4.6.
func TestExamples(t *testing.T) {
	num := func(name, unit string, at, v float64) Record {
		return Record{Name: name, Unit: unit, Time: at, Value: &v}
	}
	const ow = "urn:dev:ow:10e2073a01080063"
	for _, tc := range []struct {
		section string
		want    []Record
	}{
		{"5.1.1", []Record{num(ow, "Cel", 1.4e9, 23.1)}},
		{"5.1.2a", []Record{num(ow+":voltage", "V", 1.4e9, 120.1), num(ow+":current", "A", 1.4e9, 1.2)}},
		{"5.1.2b", []Record{
			num("urn:dev:ow:10e2073a0108006:current", "A", 1276020071.001, 1.2),
			num("urn:dev:ow:10e2073a0108006:current", "A", 1276020072.001, 1.3),
			num("urn:dev:ow:10e2073a0108006:current", "A", 1276020073.001, 1.4),
			num("urn:dev:ow:10e2073a0108006:current", "A", 1276020074.001, 1.5),
			num("urn:dev:ow:10e2073a0108006:current", "A", 1276020075.001, 1.6),
			num("urn:dev:ow:10e2073a0108006:voltage", "V", 1276020076.001, 120.1), // its u goes before bu
			num("urn:dev:ow:10e2073a0108006:current", "A", 1276020076.001, 1.7),
		}},
		{"5.1.5", []Record{
			num(ow+":temp", "Cel", 1.4e9, 23.1),
			{Name: ow + ":label", Time: 1.4e9, String: new("Machine Room")},
			{Name: ow + ":open", Time: 1.4e9, Bool: new(false)},
			{Name: ow + ":nfv-reader", Time: 1.4e9, Data: []byte("hi \n")},
		}},
		{"5.1.6", []Record{ // the last record has the base name of the third and the base time of the first
			num("2001:db8::2/temperature", "Cel", 1320078429, 25.2), num("2001:db8::2/humidity", "%RH", 1320078429, 30),
			num("2001:db8::1/temperature", "Cel", 1320078429, 12.3), num("2001:db8::1/humidity", "%RH", 1320078429, 67),
		}},
		{"5.1.7a", []Record{num(ow+":temp", "Cel", 1.4e9, 23.1), num(ow+":heat", "/", 1.4e9, 1), num(ow+":fan", "/", 1.4e9, 0)}},
		{"5.1.7b", []Record{num("2001:db8::3", "/", 1320078429, 1), num("2001:db8::4", "/", 1320078429, 1)}},
		{"5.1.7c", []Record{
			num("2001:db8::3", "/", 1320078429, 0.5), num("2001:db8::4", "/", 1320078429, 0.5),
			num("2001:db8::3", "/", 1320078429.1, 0), num("2001:db8::4", "/", 1320078429.1, 0),
		}},
	} {
		got, err := Resolve(example(t, tc.section), now)
		if err != nil || !reflect.DeepEqual(got, tc.want) {
			t.Errorf("section %s: %s, error %v; want %s", tc.section, marshal(got), err, marshal(tc.want))
		}
	}
}

// TestResolvedExample: RFC 8428 gives the resolved form of its example 5.1.3 as 5.1.4.
func TestResolvedExample(t *testing.T) {
	got, err := Resolve(example(t, "5.1.3"), now)
	if err != nil {
		t.Fatal(err)
	}
	var is, want any
	if err := json.Unmarshal(marshal(got), &is); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(example(t, "5.1.4"), &want); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(is, want) {
		t.Errorf("5.1.3 resolves to\n%v\nwant 5.1.4\n%v", is, want)
	}
}

// TestRules: each pack follows or breaks one rule of RFC 8428 §4.
func TestRules(t *testing.T) {
	for _, tc := range []struct {
		name, pack string
		want       string // JSON of the resolved pack, or part of the error after "!"
	}{
		{"bv is added and stays", `[{"n":"a","bv":20,"v":1},{"n":"b","v":2},{"n":"c"}]`,
			`[{"n":"a","t":1400000000,"v":21},{"n":"b","t":1400000000,"v":22},{"n":"c","t":1400000000,"v":20}]`},
		{"bv 0 resets", `[{"n":"a","bv":20,"v":1},{"n":"b","bv":0,"v":2}]`, `[{"n":"a","t":1400000000,"v":21},{"n":"b","t":1400000000,"v":2}]`},
		{"bv leaves strings alone", `[{"n":"a","bv":20,"vs":"x"}]`, `[{"n":"a","t":1400000000,"vs":"x"}]`},
		{"bt 0 resets", `[{"n":"a","bt":1300000000,"v":1},{"n":"b","bt":0,"v":2}]`, `[{"n":"a","t":1300000000,"v":1},{"n":"b","t":1400000000,"v":2}]`},
		{"empty bu resets", `[{"n":"a","bu":"Cel","v":1},{"n":"b","bu":"","v":2}]`, `[{"n":"a","t":1400000000,"u":"Cel","v":1},{"n":"b","t":1400000000,"v":2}]`},
		{"empty bn resets", `[{"n":"a","bn":"x/","v":1},{"n":"b","bn":"","v":2}]`, `[{"n":"x/a","t":1400000000,"v":1},{"n":"b","t":1400000000,"v":2}]`},
		{"bs and s", `[{"n":"a","bs":5,"s":1},{"n":"b","v":2}]`, `[{"n":"a","s":6,"t":1400000000},{"n":"b","s":5,"t":1400000000,"v":2}]`},
		{"relative past", `[{"n":"a","t":-60,"v":1}]`, `[{"n":"a","t":1399999940,"v":1}]`},
		{"relative future", `[{"n":"a","t":60,"v":1}]`, `[{"n":"a","t":1400000060,"v":1}]`},
		{"smallest absolute", `[{"n":"a","t":268435456,"v":1}]`, `[{"n":"a","t":268435456,"v":1}]`},
		{"sorted, stable", `[{"n":"a","t":2,"v":1},{"n":"b","t":1,"v":2},{"n":"c","t":2,"v":3}]`,
			`[{"n":"b","t":1400000001,"v":2},{"n":"a","t":1400000002,"v":1},{"n":"c","t":1400000002,"v":3}]`},
		{"ut", `[{"n":"a","v":1,"ut":300}]`, `[{"n":"a","t":1400000000,"ut":300,"v":1}]`},
		{"unknown field passed over", `[{"n":"a","v":1,"l":"x"}]`, `[{"n":"a","t":1400000000,"v":1}]`},
		{"secondary units", `[{"bver":26,"n":"a","u":"ppm","v":800}]`, `[{"n":"a","t":1400000000,"u":"ppm","v":800}]`},

		{"field that must be understood", `[{"n":"a","v":1,"x_":1}]`, `!field "x_" must be understood`},
		{"newer version", `[{"bver":11,"n":"a","v":1}]`, "!version 11 is unknown"},
		{"two versions", `[{"bver":5,"n":"a","v":1},{"bver":10,"n":"b","v":1}]`, "!version 10 in a pack of version 5"},
		{"two versions, first by default", `[{"n":"a","v":1},{"bver":5,"n":"b","v":1}]`, "!version 5 in a pack of version 10"},
		{"version no integer", `[{"bver":1.5,"n":"a","v":1}]`, "!no positive integer"},
		{"two values", `[{"n":"a","v":1,"vs":"x"}]`, "!more than one of"},
		{"two other values", `[{"n":"a","vb":true,"vs":"x"}]`, "!more than one of"},
		{"no name", `[{"v":1}]`, "!no name"},
		{"name begins with a colon", `[{"n":":a","v":1}]`, `!name ":a" has ':'`},
		{"name with a space", `[{"bn":"a ","n":"b","v":1}]`, `!name "a b" has ' '`},
		{"value is a string", `[{"n":"a","v":"1"}]`, "!v is not a number"},
		{"value is null", `[{"n":"a","v":null}]`, "!v is not a number"},
		{"value too large", `[{"n":"a","v":1e999}]`, "!v 1e999 is out of range"},
		{"sum of base and value too large", `[{"n":"a","bv":1.7e308,"v":1.7e308}]`, "!value is out of range"},
		{"time before 1978", `[{"n":"a","t":-1300000000,"v":1}]`, "!outside 1978"},
		{"padded data", `[{"n":"a","vd":"aGk="}]`, "!base64url"},
		{"no array", `{"n":"a","v":1}`, "!an array"},
		{"empty", `[]`, "!an array of one or more"},
		{"record no object", `[1]`, "!no object"},
		{"label twice", `[{"n":"a","v":1,"v":2}]`, "!twice"},
		{"trailing text", `[{"n":"a","v":1}] x`, "!follows"},
		{"too many", "[" + strings.Repeat(`{"n":"a","v":1},`, maxRecords) + `{"n":"a","v":1}]`, "!longer than"},
	} {
		got, err := Resolve([]byte(tc.pack), now)
		if part, bad := strings.CutPrefix(tc.want, "!"); bad {
			if err == nil || !strings.Contains(err.Error(), part) {
				t.Errorf("%s: %s, error %v; want an error with %q", tc.name, marshal(got), err, part)
			}
		} else if err != nil || string(marshal(got)) != tc.want {
			t.Errorf("%s: %s, error %v; want %s", tc.name, marshal(got), err, tc.want)
		}
	}
}

// marshal writes resolved records as a pack, labels sorted.
func marshal(records []Record) []byte {
	list := []map[string]any{}
	for _, r := range records {
		f := map[string]any{"n": r.Name, "t": r.Time}
		set := func(label string, v any, has bool) {
			if has {
				f[label] = v
			}
		}
		set("u", r.Unit, r.Unit != "")
		set("v", r.Value, r.Value != nil)
		set("vs", r.String, r.String != nil)
		set("vb", r.Bool, r.Bool != nil)
		set("vd", unpadded(r.Data), r.Data != nil)
		set("s", r.Sum, r.Sum != nil)
		set("ut", r.Update, r.Update != 0)
		list = append(list, f)
	}
	b, err := json.Marshal(list)
	if err != nil {
		panic(err)
	}
	return b
}

func unpadded(b []byte) string {
	s, _ := json.Marshal(b)
	return strings.NewReplacer("+", "-", "/", "_", "=", "", `"`, "").Replace(string(s))
}

// checkStable: resolving what was resolved changes nothing, whenever it is done (RFC 8428 §4.6: no base values, no
// relative times).
func checkStable(t interface{ Fatalf(string, ...any) }, pack []byte) {
	first, err := Resolve(pack, now)
	if err != nil || len(first) == 0 {
		return
	}
	second, err := Resolve(marshal(first), now.Add(1000*time.Hour))
	if err != nil {
		t.Fatalf("%s resolves to %s, which is refused: %v", pack, marshal(first), err)
	}
	if !reflect.DeepEqual(first, second) {
		t.Fatalf("%s resolves to %s and then to %s", pack, marshal(first), marshal(second))
	}
}

func TestResolveIsIdempotent(t *testing.T) {
	number := rapid.OneOf(rapid.Just(0.0), rapid.Float64Range(-1e6, 1e6), rapid.Float64Range(2.6e8, 2e9))
	label := rapid.SampledFrom([]string{"bn", "bu", "bt", "bv", "bs", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut", "bver", "l"})
	rapid.Check(t, func(t *rapid.T) {
		list := []map[string]any{}
		for range rapid.IntRange(1, 6).Draw(t, "records") {
			f := map[string]any{"n": rapid.StringMatching(`[a-z]{1,3}`).Draw(t, "name"), "v": number.Draw(t, "value")}
			for _, l := range rapid.SliceOfN(label, 0, 4).Draw(t, "labels") {
				switch l {
				case "bn", "n", "bu", "u", "vs", "l":
					f[l] = rapid.StringMatching(`[a-zA-Z%/]{0,3}`).Draw(t, l)
				case "vd":
					f[l] = "aGkgCg"
				case "vb":
					f[l] = true
				case "bver":
					f[l] = 10
				default:
					f[l] = number.Draw(t, l)
				}
				if strings.HasPrefix(l, "v") && l != "v" {
					delete(f, "v")
				}
			}
			list = append(list, f)
		}
		pack, err := json.Marshal(list)
		if err != nil {
			t.Fatal(err)
		}
		checkStable(t, pack)
	})
}

func FuzzResolve(f *testing.F) {
	for _, name := range []string{"5.1.1", "5.1.2a", "5.1.2b", "5.1.3", "5.1.4", "5.1.5", "5.1.6", "5.1.7a", "5.1.7b", "5.1.7c"} {
		f.Add(example(f, name))
	}
	f.Fuzz(func(t *testing.T, pack []byte) { checkStable(t, pack) })
}

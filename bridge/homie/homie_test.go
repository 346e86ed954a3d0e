package homie

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// TestPayloads: what the convention's text allows and forbids of each datatype ("Payloads", "Formats").
func TestPayloads(t *testing.T) {
	for _, tc := range []struct {
		p    Property
		good []string
		bad  []string
	}{
		{Property{Datatype: Integer}, []string{"0", "-7", "9223372036854775807", "-9223372036854775808"},
			[]string{"", "-", " 1", "1 ", "+1", "1.0", "1e3", "9223372036854775808", "NaN", "１"}},
		{Property{Datatype: Number}, []string{"21.5", "-20", "1e3", "1.5E-3", ".5"},
			[]string{"", "-", "1,5", " 1", "+1", "1e+3", "1.2.3", "NaN", "Infinity", "inf", "1_000", "0x10", ".", "1e999"}},
		{Property{Datatype: Boolean, Format: "close,open"}, []string{"true", "false"}, []string{"", "TRUE", "False", "open", "1"}},
		{Property{Datatype: Enum, Format: "car, Car,van"}, []string{"car", " Car", "van"}, []string{"", "Car", "vans", " van"}},
		{Property{Datatype: String}, []string{"x", "\x00", "ü"}, []string{""}},
		{Property{Datatype: Duration}, []string{"PT12H5M46S", "PT5M", "PT1S"}, []string{"", "PT", "P1D", "5M", "PT-5M", "PT5m"}},
		{Property{Datatype: DateTime}, []string{"2026-03-02T06:00:00Z", "2026-03-02T06:00:00.5+01:00"}, []string{"", "yesterday", "12:00"}},
		// "10.123:15.123"; "0:" allows a value >= 0; ":10" allows a value <= 10; "2:6:2" will allow 2, 4, and 6.
		{Property{Datatype: Number, Format: "10.123:15.123"}, []string{"10.123", "15.123", "12"}, []string{"10.122", "15.124", "-12"}},
		{Property{Datatype: Integer, Format: "5:35"}, []string{"5", "35"}, []string{"4", "36"}},
		{Property{Datatype: Integer, Format: "0:"}, []string{"0", "7"}, []string{"-1"}},
		{Property{Datatype: Integer, Format: ":10"}, []string{"10", "-7"}, []string{"11"}},
		{Property{Datatype: Integer, Format: "2:6:2"}, []string{"2", "4", "6", "3", "1"}, []string{"0", "8"}}, // rounded first, then checked
	} {
		if !tc.p.legalFormat() {
			t.Errorf("%+v: its format is refused", tc.p)
		}
		for _, s := range tc.good {
			if err := tc.p.Accept(s, 0); err != nil {
				t.Errorf("%s %q refuses %q: %v", tc.p.Datatype, tc.p.Format, s, err)
			}
		}
		for _, s := range tc.bad {
			if err := tc.p.Accept(s, 0); err == nil {
				t.Errorf("%s %q takes %q", tc.p.Datatype, tc.p.Format, s)
			}
		}
	}
}

// TestRounding: "the base for calculating a proper value based on step should be min, max, or the current property value
// (in that order)".
func TestRounding(t *testing.T) {
	for _, tc := range []struct {
		format       string
		v, now, want string
	}{
		{"2:6:2", "3.1", "", "4"}, {"1::2", "4.2", "", "5"}, {":10:4", "5", "", "6"}, {"::3", "5", "1", "4"}, {"::3", "6", "1", "7"}, {"", "5.25", "", "5.25"},
	} {
		p := Property{Datatype: Number, Format: tc.format}
		now, _ := ParseFloat(tc.now)
		got, err := p.Fit(tc.v, now)
		if want, _ := ParseFloat(tc.want); err != nil || got != want {
			t.Errorf("%q takes %s for %v, error %v; want %s", tc.format, tc.v, got, err, tc.want)
		}
	}
}

func TestIllegalFormats(t *testing.T) {
	for _, p := range []Property{
		{Datatype: "number"}, {Datatype: ""}, {Datatype: Enum}, {Datatype: Enum, Format: "a,,b"}, {Datatype: Enum, Format: "a,b,a"},
		{Datatype: Boolean, Format: "on"}, {Datatype: Boolean, Format: "a,a"}, {Datatype: Boolean, Format: "a,b,c"},
		{Datatype: Number, Format: "1"}, {Datatype: Number, Format: "1:2:0"}, {Datatype: Number, Format: "1:2:-1"}, {Datatype: Number, Format: "1:2:3:4"},
		{Datatype: Number, Format: "a:b"}, {Datatype: Number, Format: "2:1"}, {Datatype: Number, Format: "1:2:"}, {Datatype: Color}, {Datatype: Color, Format: "cmyk"},
	} {
		if p.legalFormat() {
			t.Errorf("%+v is taken", p)
		}
	}
}

// TestForwardCompatibility: "ignore unknown fields, but keep the object itself"; "ignore the entire object (device, node,
// or property) if in a known field an illegal value is encountered".
func TestForwardCompatibility(t *testing.T) {
	d, err := ParseDescription([]byte(`{"homie":"5.2","version":7,"name":"Supercar","definitions":{"x":[1]},"children":["a"],"extensions":[],"nodes":{
		"engine":{"name":"Car engine","future":1,"properties":{
			"temperature":{"name":"Engine temperature","unit":"°C","datatype":"float","format":"-20:120","default":"21"},
			"broken":{"datatype":"nonsense"},"Speed":{"datatype":"float"},"noise":{"datatype":"float","format":"loud"},"null":{"datatype":"float","unit":null}}},
		"Wheels":{"properties":{}},"lights":{"name":5},"doors":[]}}`))
	if err != nil {
		t.Fatal(err)
	}
	if len(d.Nodes) != 1 || len(d.Nodes["engine"].Properties) != 1 || d.Version != 7 || d.Name != "Supercar" || d.Children[0] != "a" {
		t.Errorf("%+v", d)
	}
	if p, ok := d.Property("engine", "temperature"); !ok || p.Unit != DegreeCelsius || p.Settable || !p.IsRetained() {
		t.Errorf("%+v, %v", p, ok)
	}
	for _, bad := range []string{``, `[]`, `{}`, `{"homie":"5.0"}`, `{"homie":"4.0","version":1}`, `{"homie":"5.0.1","version":1}`, `{"homie":"5.0","version":1.5}`,
		`{"homie":"5.0","version":"1"}`, `{"homie":"5.0","version":1,"root":"Bad Id"}`, `{"homie":"5.0","version":1,"root":null}`, `{"homie":"5.0","version":1,"nodes":[]}`,
		`{"homie":"5.0","version":1,"children":"a"}`, `{"homie":"5.0","version":1,"children":[1]}`, strings.Repeat("[", 100)} {
		if d, err := ParseDescription([]byte(bad)); err == nil {
			t.Errorf("%.60s: %+v", bad, d)
		}
	}
}

// TestUnitBytes: "it is important to stick to the exact byte sequences": the degree sign is 0xc2 0xb0.
func TestUnitBytes(t *testing.T) {
	if DegreeCelsius != "\xc2\xb0C" || DegreeFahrenheit != "\xc2\xb0F" {
		t.Errorf("% x, % x", DegreeCelsius, DegreeFahrenheit)
	}
}

// TestFloatIsALegalPayload whatever the number, and is read back as near as its digits go.
func TestFloatIsALegalPayload(t *testing.T) {
	p := Property{Datatype: Number}
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(-1e12, 1e12).Draw(t, "v")
		digits := rapid.IntRange(0, 6).Draw(t, "digits")
		s := Float(v, digits)
		back, err := ParseFloat(s)
		if err != nil || p.Accept(s, 0) != nil || math.Abs(back-v) > 0.51*math.Pow10(-digits)+1e-3 || strings.HasPrefix(s, "-0") && back == 0 {
			t.Fatalf("%v with %d digits is written %q, read %v, error %v", v, digits, s, back, err)
		}
	})
}

func TestIDs(t *testing.T) {
	for s, want := range map[string]bool{"a": true, "a-0": true, "-": true, "": false, "A": false, "a_b": false, "$a": false, "ä": false, "a/b": false} {
		if LegalID(s) != want {
			t.Errorf("LegalID(%q) = %v", s, !want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		if s := rapid.StringN(1, 20, -1).Draw(t, "name"); !LegalID(ID(s)) {
			t.Fatalf("%q becomes %q", s, ID(s))
		}
	})
}

// FuzzDescription: whatever is read writes a document that reads as the same, and every property of it judges payloads
// without a panic.
func FuzzDescription(f *testing.F) {
	f.Add([]byte(`{"homie":"5.0","version":7,"nodes":{"engine":{"properties":{"temperature":{"unit":"°C","datatype":"float","format":"-20:120:0.5"}}}}}`), "21.5")
	f.Add([]byte(`{"homie":"5.0","version":1,"root":"bridge","parent":"relay","children":["light1"],"nodes":{"lights":{"properties":{"on":{"datatype":"boolean","format":"off,on","settable":true,"retained":false}}}}}`), "true")
	f.Add([]byte(`{"homie":"5.1","version":2,"nodes":{"n":{"properties":{"e":{"datatype":"enum","format":"a,b"},"d":{"datatype":"duration"},"i":{"datatype":"integer","format":":5:2"}}}}}`), "a")
	f.Fuzz(func(t *testing.T, doc []byte, payload string) {
		d, err := ParseDescription(doc)
		if err != nil {
			return
		}
		again, err := ParseDescription(d.Marshal())
		if err != nil || !again.Same(d) || again.Version != d.Version {
			t.Fatalf("%s reads as %+v, that is written as %s, which reads as %+v, error %v", doc, d, d.Marshal(), again, err)
		}
		for node, n := range d.Nodes {
			for id, p := range n.Properties {
				if !LegalID(node) || !LegalID(id) {
					t.Fatalf("ids %q, %q", node, id)
				}
				if err := p.Accept(payload, 1); err == nil && payload == "" {
					t.Fatal("an empty payload is taken")
				}
			}
		}
	})
}

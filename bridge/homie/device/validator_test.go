package device_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// validator judges everything that is published by the text of the Homie convention, version 5
// (https://homieiot.github.io/specification/), and knows nothing of the package that it judges. Section titles of the
// text stand beside what follows from them.
type validator struct {
	domain string
	faults []string
	states map[string]string         // by device
	docs   map[string]*vDescription  // by device
	raw    map[string]string         // by device: the document's bytes
	kept   map[string]string         // what the broker retains
	target map[string]map[bool]int   // by property: how often a value came with and without a $target retained
	kinds  map[string]map[string]int // how many messages of which kind each device sent
}

type vDescription struct {
	Homie      string           `json:"homie"`
	Version    *int64           `json:"version"`
	Nodes      map[string]vNode `json:"nodes"`
	Name       string           `json:"name"`
	Type       string           `json:"type"`
	Children   []string         `json:"children"`
	Root       *string          `json:"root"`
	Parent     *string          `json:"parent"`
	Extensions []string         `json:"extensions"`
}

type vNode struct {
	Name       string           `json:"name"`
	Type       string           `json:"type"`
	Properties map[string]vProp `json:"properties"`
}

type vProp struct {
	Name     string  `json:"name"`
	Datatype string  `json:"datatype"`
	Format   *string `json:"format"`
	Settable bool    `json:"settable"`
	Retained *bool   `json:"retained"`
	Unit     *string `json:"unit"`
}

func (p vProp) retained() bool { return p.Retained == nil || *p.Retained }

func newValidator(domain string) *validator {
	return &validator{domain: domain, states: map[string]string{}, docs: map[string]*vDescription{}, raw: map[string]string{},
		kept: map[string]string{}, target: map[string]map[bool]int{}, kinds: map[string]map[string]int{}}
}

func (v *validator) fault(topic, format string, args ...any) {
	v.faults = append(v.faults, topic+": "+fmt.Sprintf(format, args...))
}

var vID = regexp.MustCompile(`^[a-z0-9-]+$`) // "Topic IDs"

// see judges one message that a device published.
func (v *validator) see(topic, payload string, retain bool) {
	rest, ours := strings.CutPrefix(topic, v.domain+"/5/") // "Domain and Root Topic"
	l := strings.Split(rest, "/")
	if !ours || len(l) < 2 || !vID.MatchString(l[0]) {
		v.fault(topic, "lies outside the domain, or its device has an illegal id")
		return
	}
	if !utf8.ValidString(payload) || strings.HasPrefix(payload, "\ufeff") { // "Payloads"
		v.fault(topic, "payload is not UTF-8, or begins with a byte order mark")
	}
	if retain {
		if payload == "" {
			delete(v.kept, topic)
		} else {
			v.kept[topic] = payload
		}
	}
	kind := l[1]
	switch {
	case l[1] == "$state" && len(l) == 2:
		v.state(topic, l[0], payload, retain)
	case l[1] == "$description" && len(l) == 2:
		v.description(topic, l[0], payload, retain)
	case l[1] == "$log" && len(l) == 3:
		if retain || !slices.Contains([]string{"debug", "info", "warn", "error", "fatal"}, l[2]) || payload == "" { // "Logging"
			v.fault(topic, "is no log message: %q, retained %v", payload, retain)
		}
	case l[1] == "$alert" && len(l) == 3:
		if !retain || !vID.MatchString(l[2]) { // "Alert topic"
			v.fault(topic, "is no alert")
		}
	case len(l) == 3 && vID.MatchString(l[1]) && vID.MatchString(l[2]):
		kind = "value"
		v.value(topic, l, payload, retain)
	case len(l) == 4 && vID.MatchString(l[1]) && vID.MatchString(l[2]) && l[3] == "$target":
		kind = "$target"
		if p, ok := v.prop(topic, l, payload); ok && payload != "" {
			v.payload(topic, p, payload)
		}
	default:
		v.fault(topic, "is no topic that a device publishes")
	}
	if v.kinds[l[0]] == nil {
		v.kinds[l[0]] = map[string]int{}
	}
	v.kinds[l[0]][kind]++
}

// state: "Device Lifecycle".
func (v *validator) state(topic, device, payload string, retain bool) {
	if !retain || !slices.Contains([]string{"init", "ready", "disconnected", "sleeping", "lost", ""}, payload) {
		v.fault(topic, "%q, retained %v, is no state", payload, retain)
	}
	v.states[device] = payload
	if payload == "ready" {
		v.complete(topic, device)
	}
}

// complete: ready means that all messages describing attributes, nodes, properties and their values were sent.
func (v *validator) complete(topic, device string) {
	d := v.docs[device]
	if d == nil {
		v.fault(topic, "ready without a description")
		return
	}
	described := map[string]bool{}
	for node, n := range d.Nodes {
		for prop, p := range n.Properties {
			t := v.domain + "/5/" + device + "/" + node + "/" + prop
			described[t], described[t+"/$target"] = true, true
			if _, there := v.kept[t]; p.retained() && !there {
				v.fault(topic, "ready, and %s/%s has no value", node, prop)
			}
		}
	}
	for t := range v.kept {
		rest, mine := strings.CutPrefix(t, v.domain+"/5/"+device+"/")
		if mine && !strings.HasPrefix(rest, "$") && !described[t] { // "Device reconfiguration"
			v.fault(topic, "ready, and %s is retained but not described", rest)
		}
	}
}

// description: "Device Attributes", "Device hierarchy".
func (v *validator) description(topic, device, payload string, retain bool) {
	if payload == "" {
		delete(v.docs, device)
		return
	}
	if s := v.states[device]; payload != v.raw[device] && s != "init" && s != "disconnected" && s != "lost" {
		v.fault(topic, "changes while the state is %q", s)
	}
	var d vDescription
	dec := json.NewDecoder(bytes.NewReader([]byte(payload)))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&d); err != nil || !retain {
		v.fault(topic, "is no description: %v, retained %v", err, retain)
		return
	}
	if !regexp.MustCompile(`^5\.\d+$`).MatchString(d.Homie) || d.Version == nil {
		v.fault(topic, "homie %q, version %v", d.Homie, d.Version)
	}
	if old := v.docs[device]; old != nil && v.raw[device] != payload && d.Version != nil && *d.Version <= *old.Version {
		v.fault(topic, "changed, and its version did not rise: %d, before %d", *d.Version, *old.Version)
	}
	for _, id := range append(slices.Clone(d.Children), *orEmpty(d.Root, "root"), *orEmpty(d.Parent, "parent")) {
		if !vID.MatchString(id) {
			v.fault(topic, "id %q", id)
		}
	}
	if bytes.Contains([]byte(payload), []byte("null")) {
		v.fault(topic, "has a null")
	}
	for node, n := range d.Nodes {
		for prop, p := range n.Properties {
			if !vID.MatchString(node) || !vID.MatchString(prop) {
				v.fault(topic, "id %q or %q", node, prop)
			}
			v.property(topic, node+"/"+prop, p)
		}
	}
	v.docs[device], v.raw[device] = &d, payload
}

func orEmpty(s *string, otherwise string) *string {
	if s == nil {
		return &otherwise
	}
	return s
}

// property: "Property Attributes", "Formats", "Units".
func (v *validator) property(topic, name string, p vProp) {
	format := *orEmpty(p.Format, "")
	switch p.Datatype {
	case "integer", "float":
		if format != "" && !regexp.MustCompile(`^(-?[0-9.]+)?:(-?[0-9.]+)?(:[0-9.]+)?$`).MatchString(format) {
			v.fault(topic, "%s: format %q", name, format)
		}
	case "enum":
		words := strings.Split(format, ",")
		slices.Sort(words)
		if slices.Contains(words, "") || len(slices.Compact(words)) != len(strings.Split(format, ",")) {
			v.fault(topic, "%s: format %q", name, format)
		}
	case "boolean":
		if w := strings.Split(format, ","); p.Format != nil && (len(w) != 2 || w[0] == w[1] || w[0] == "" || w[1] == "") {
			v.fault(topic, "%s: format %q", name, format)
		}
	case "string", "datetime", "duration":
		if p.Format != nil {
			v.fault(topic, "%s: a format", name)
		}
	default:
		v.fault(topic, "%s: datatype %q", name, p.Datatype)
	}
	known := []string{"°C", "%", "ppm", "lx", "Pa", "W", "L", "h", "g"} // all but the last are recommended ones
	if p.Unit != nil && !slices.Contains(known, *p.Unit) {
		v.fault(topic, "%s: unit %q", name, *p.Unit)
	}
}

func (v *validator) prop(topic string, l []string, payload string) (vProp, bool) {
	if payload == "" {
		return vProp{}, false // removed
	}
	d := v.docs[l[0]]
	if d == nil {
		v.fault(topic, "a value before the description")
		return vProp{}, false
	}
	p, ok := d.Nodes[l[1]].Properties[l[2]]
	if !ok {
		v.fault(topic, "is not described")
	}
	return p, ok
}

func (v *validator) value(topic string, l []string, payload string, retain bool) {
	p, ok := v.prop(topic, l, payload)
	if !ok {
		return
	}
	if p.retained() != retain { // "QoS and retained messages"
		v.fault(topic, "published with retained %v", retain)
	}
	v.payload(topic, p, payload)
	if _, has := v.kept[topic+"/$target"]; p.retained() {
		if v.target[topic] == nil {
			v.target[topic] = map[bool]int{}
		}
		if v.target[topic][has]++; len(v.target[topic]) > 1 { // "must either be used for every value update, or never"
			v.fault(topic, "has a $target at some values and none at others")
		}
	}
}

// payload: "Payloads".
func (v *validator) payload(topic string, p vProp, payload string) {
	format := *orEmpty(p.Format, "")
	ok := true
	switch p.Datatype {
	case "integer":
		_, err := strconv.ParseInt(payload, 10, 64)
		ok = err == nil && regexp.MustCompile(`^-?[0-9]+$`).MatchString(payload) && within(payload, format)
	case "float":
		_, err := strconv.ParseFloat(payload, 64)
		ok = err == nil && regexp.MustCompile(`^[-0-9.eE]+$`).MatchString(payload) && within(payload, format)
	case "boolean":
		ok = payload == "true" || payload == "false"
	case "enum":
		ok = slices.Contains(strings.Split(format, ","), payload)
	}
	if !ok {
		v.fault(topic, "%q is no %s of format %q", payload, p.Datatype, format)
	}
}

func within(payload, format string) bool {
	if format == "" {
		return true
	}
	x, _ := strconv.ParseFloat(payload, 64)
	ends := strings.Split(format, ":")
	low, lowErr := strconv.ParseFloat(ends[0], 64)
	high, highErr := strconv.ParseFloat(ends[1], 64)
	return (lowErr != nil || x >= low) && (highErr != nil || x <= high)
}

package homie

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"regexp"
	"slices"

	"gillkeeper/bridge/pointer"
)

// Description is the document that a device publishes as $description ("Device Attributes").
type Description struct {
	Homie      string          `json:"homie"` // "5.x"
	Version    int64           `json:"version"`
	Name       string          `json:"name,omitempty"`
	Type       string          `json:"type,omitempty"`
	Nodes      map[string]Node `json:"nodes,omitempty"`
	Children   []string        `json:"children,omitempty"`
	Root       string          `json:"root,omitempty"`   // of every device but the root
	Parent     string          `json:"parent,omitempty"` // where it is not the root
	Extensions []string        `json:"extensions,omitempty"`
}

// Node is a part of a device.
type Node struct {
	Name       string              `json:"name,omitempty"`
	Type       string              `json:"type,omitempty"`
	Properties map[string]Property `json:"properties,omitempty"`
}

// Property finds a property by its ids.
func (d *Description) Property(node, id string) (Property, bool) {
	p, ok := d.Nodes[node].Properties[id]
	return p, ok
}

// MaxDescription is the largest document that is read, in bytes; a device with a hundred properties takes a tenth.
const MaxDescription = 64 << 10

var conventionForm = regexp.MustCompile(`^5\.[0-9]+$`)

// ParseDescription reads a description as a controller should ("Forward compatibility"): unknown fields are passed
// over, and a node or property with an illegal field is left out, the rest kept. The error says why the device itself
// cannot be used.
func ParseDescription(payload []byte) (*Description, error) {
	if len(payload) > MaxDescription {
		return nil, fmt.Errorf("a description of %d bytes is larger than %d", len(payload), MaxDescription)
	}
	doc, err := pointer.Parse(payload)
	if err != nil {
		return nil, err
	}
	f, ok := doc.(map[string]any)
	if !ok {
		return nil, errors.New("a description is a JSON object")
	}
	r := fields{f, nil}
	d := &Description{Homie: r.text("homie"), Name: r.text("name"), Type: r.text("type"), Root: r.id("root"), Parent: r.id("parent"),
		Children: r.texts("children"), Extensions: r.texts("extensions"), Version: r.integer("version")}
	switch {
	case r.err != nil:
		return nil, r.err
	case !conventionForm.MatchString(d.Homie):
		return nil, errors.New(`homie is not "5.x"`)
	}
	for id, v := range r.object("nodes") {
		if n, ok := parseNode(id, v); ok {
			if d.Nodes == nil {
				d.Nodes = map[string]Node{}
			}
			d.Nodes[id] = n
		}
	}
	return d, r.err
}

func parseNode(id string, v any) (Node, bool) {
	f, ok := v.(map[string]any)
	if !ok || !LegalID(id) {
		return Node{}, false
	}
	r := fields{f, nil}
	n := Node{Name: r.text("name"), Type: r.text("type")}
	for id, v := range r.object("properties") {
		if p, ok := parseProperty(id, v); ok {
			if n.Properties == nil {
				n.Properties = map[string]Property{}
			}
			n.Properties[id] = p
		}
	}
	return n, r.err == nil
}

func parseProperty(id string, v any) (Property, bool) {
	f, ok := v.(map[string]any)
	if !ok || !LegalID(id) {
		return Property{}, false
	}
	r := fields{f, nil}
	p := Property{Name: r.text("name"), Datatype: r.text("datatype"), Format: r.text("format"), Unit: r.text("unit"),
		Settable: r.boolean("settable", false)}
	if !r.boolean("retained", true) {
		p.Retained = new(false)
	}
	return p, r.err == nil && p.legalFormat()
}

// fields reads an object's fields and keeps the first error. None may be null.
type fields struct {
	of  map[string]any
	err error
}

func (r *fields) fail(label, what string) {
	if r.err == nil {
		r.err = fmt.Errorf("%s is no %s", label, what)
	}
}

func (r *fields) text(label string) string {
	v, there := r.of[label]
	s, ok := v.(string)
	if there && !ok {
		r.fail(label, "text")
	}
	return s
}

func (r *fields) id(label string) string {
	s := r.text(label)
	if _, there := r.of[label]; there && !LegalID(s) {
		r.fail(label, "id")
	}
	return s
}

func (r *fields) integer(label string) int64 {
	n, _ := r.of[label].(json.Number)
	v, err := n.Int64()
	if err != nil {
		r.fail(label, "whole number")
	}
	return v
}

func (r *fields) boolean(label string, otherwise bool) bool {
	v, there := r.of[label]
	if !there {
		return otherwise
	}
	b, ok := v.(bool)
	if !ok {
		r.fail(label, "true or false")
	}
	return b
}

func (r *fields) texts(label string) []string {
	v, there := r.of[label]
	list, ok := v.([]any)
	if there && !ok {
		r.fail(label, "list")
	}
	var out []string
	for _, v := range list {
		s, ok := v.(string)
		if !ok {
			r.fail(label, "list of texts")
			return nil
		}
		out = append(out, s)
	}
	return out
}

func (r *fields) object(label string) map[string]any {
	v, there := r.of[label]
	o, ok := v.(map[string]any)
	if there && !ok {
		r.fail(label, "object")
	}
	return o
}

// Same reports whether two descriptions say the same, whatever their versions.
func (d *Description) Same(o *Description) bool {
	return d.Homie == o.Homie && d.Name == o.Name && d.Type == o.Type && d.Root == o.Root && d.Parent == o.Parent &&
		slices.Equal(d.Children, o.Children) && slices.Equal(d.Extensions, o.Extensions) && maps.EqualFunc(d.Nodes, o.Nodes, sameNode)
}

func sameNode(a, b Node) bool {
	return a.Name == b.Name && a.Type == b.Type && maps.EqualFunc(a.Properties, b.Properties, func(a, b Property) bool {
		return a.Name == b.Name && a.Datatype == b.Datatype && a.Format == b.Format && a.Unit == b.Unit && a.Settable == b.Settable &&
			a.IsRetained() == b.IsRetained()
	})
}

// Marshal writes the document; the same description gives the same bytes.
func (d *Description) Marshal() []byte {
	b, err := json.Marshal(d)
	if err != nil { // not reached: the document is made of maps, texts and numbers
		panic(err)
	}
	return b
}

package survey

import (
	"strings"

	"gillkeeper/bridge/homie"
)

// maxDetails bounds the attributes of Homie 4 devices that are kept.
const maxDetails = 50_000

// maxDescribed bounds the descriptions that are kept, in bytes; those of a house of 150 plugs take a tenth.
const maxDescribed = 8 << 20

// own are the types of devices that gillkeeper shows; they are not to be found again.
func own(kind string) bool { return kind == "fruiting-chamber" || kind == "fruiting-chambers" }

// attribute takes in what Homie devices say of themselves, in levels that begin with $.
func (s *Survey) attribute(m *Message) {
	i := strings.Index(m.Topic, "/$")
	base, name := m.Topic[:i], m.Topic[i+1:]
	switch name {
	case "$description":
		if l := strings.Split(base, "/"); len(l) != 3 || l[1] != "5" {
			return
		}
		all := s.described + len(m.Payload) - s.sizes[base]
		if all > maxDescribed {
			s.counts.Skipped++
			return
		}
		if d, err := homie.ParseDescription(m.Payload); err == nil {
			s.described, s.sizes[base] = all, len(m.Payload)
			if s.homie5[base] = d; own(d.Type) {
				s.ours[base] = true
			}
		}
	case "$datatype", "$unit", "$settable", "$format", "$retained":
		if strings.Count(base, "/") != 3 || len(m.Payload) > rawLength || s.details >= maxDetails {
			return
		}
		if s.homie4[base] == nil {
			s.homie4[base] = map[string]string{}
		}
		if _, there := s.homie4[base][name]; !there {
			s.details++
		}
		s.homie4[base][name] = string(m.Payload)
	}
}

// property is what a Homie device says of a topic.
type property struct {
	homie.Property
	path  string   // as a configuration names it
	names []string // the words of what the device calls itself, its node and this
}

// properties lists the Homie properties that were described, by topic.
func (s *Survey) properties() map[string]property {
	all := map[string]property{}
	for base, d := range s.homie5 {
		if own(d.Type) {
			continue
		}
		for node, n := range d.Nodes {
			for id, p := range n.Properties {
				if t := base + "/" + node + "/" + id; legal(t) {
					all[t] = property{p, t, tokens(d.Name + " " + n.Name + " " + p.Name)}
				}
			}
		}
	}
	for t, a := range s.homie4 {
		if !legal(t) {
			continue
		}
		all[t] = property{homie.Property{Datatype: a["$datatype"], Unit: a["$unit"], Format: a["$format"], Settable: a["$settable"] == "true"}, t, nil}
	}
	return all
}

// legal reports whether every level of a topic below its domain is an id of the convention.
func legal(topic string) bool {
	_, ids, _ := strings.Cut(topic, "/")
	for id := range strings.SplitSeq(ids, "/") {
		if !homie.LegalID(id) {
			return false
		}
	}
	return true
}

// ourOwn reports whether a topic belongs to what gillkeeper itself shows.
func (s *Survey) ourOwn(topic string) bool {
	for base := range s.ours {
		if strings.HasPrefix(topic, base+"/") {
			return true
		}
	}
	return false
}

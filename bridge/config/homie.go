package config

import (
	"strings"

	"gillkeeper/bridge/homie"
)

// HomieShow is how the daemon shows the chambers as devices of the Homie convention.
type HomieShow struct {
	Publish  bool   // show them
	Domain   string // first level of every topic
	Settable bool   // controllers may set stage, refill and hand
}

// HomieRef names one property of a device of the Homie convention.
type HomieRef struct {
	Domain                 string // first level of its topics
	Four                   bool   // version 4 of the convention, else 5
	Device, Node, Property string

	UnitGiven bool // the file names the unit; else the device's own word counts
}

// Base is the device's topic.
func (h *HomieRef) Base() string { return h.sibling(h.Device) }

// sibling is the topic of another device of the same domain and version.
func (h *HomieRef) sibling(device string) string {
	if h.Four {
		return h.Domain + "/" + device
	}
	return homie.Topic(h.Domain, device)
}

// Topic is where the property's value is published.
func (h *HomieRef) Topic() string { return h.Base() + "/" + h.Node + "/" + h.Property }

// homieForm is what a reference may look like.
const homieForm = `"device/node/property" of Homie 5 in the domain of [broker.homie], or the whole topic: "homie/5/device/node/property", of Homie 4 "homie/device/node/property"`

var homieKind = textKind("Homie property", homieForm, func(s string) (any, *complaint) {
	l := strings.Split(s, "/")
	var h HomieRef
	switch {
	case len(l) == 3:
		h = HomieRef{Device: l[0], Node: l[1], Property: l[2]}
	case len(l) == 4:
		h = HomieRef{Domain: l[0], Four: true, Device: l[1], Node: l[2], Property: l[3]}
	case len(l) == 5 && l[1] == "5":
		h = HomieRef{Domain: l[0], Device: l[2], Node: l[3], Property: l[4]}
	default:
		return nil, &complaint{what: "is not a property of a Homie device"}
	}
	for _, id := range []string{h.Device, h.Node, h.Property} {
		if !homie.LegalID(id) {
			return nil, &complaint{what: "has " + quote(id) + " in it, which is not a Homie id: those have a-z, 0-9 and -"}
		}
	}
	if err := checkCommandTopic(h.Topic()); h.Domain != "" && err != nil {
		return nil, &complaint{what: "is not a usable topic: it " + err.Error()}
	}
	return h, nil
})

var homieDomainKind = textKind("Homie domain", "one level of a topic: letters a-z, digits and -", func(s string) (any, *complaint) {
	if len(s) > maxName || !homie.LegalID(s) {
		return nil, &complaint{what: "is not a level of a topic that Homie can have"}
	}
	return s, nil
})

func (r *reader) homieShow(t *table) HomieShow {
	h := HomieShow{Publish: get[bool](r, t, "publish"), Domain: get[string](r, t, "domain"), Settable: get[bool](r, t, "settable")}
	if !h.Publish && r.given(t, "settable") && h.Settable {
		r.fault(t, "settable", Fault{What: "has no effect", Allowed: "nothing is shown with publish = false, so nothing can be set", Warning: true})
	}
	return h
}

// homieRef gives the property that a key names, or nil. The keys that it stands in place of must not stand beside it.
func (r *reader) homieRef(t *table, key, domain string, instead ...string) *HomieRef {
	if !r.given(t, key) {
		return nil
	}
	h := get[HomieRef](r, t, key)
	if h.Domain == "" {
		h.Domain = domain
	}
	for _, k := range instead {
		if r.given(t, k) {
			r.fault(t, k, Fault{What: "is given together with " + key, Allowed: key + " says it already: remove one"})
		}
	}
	return &h
}

// fillHomie gives a plug that is named as a Homie property its topics and words: a boolean's payloads are true and
// false, whatever it is called.
func (r *reader) fillHomie(t *table, b *PlugBinding) {
	if b.Homie != nil {
		b.StateTopic = b.Homie.Topic()
		b.CommandTopic = b.StateTopic + "/set"
		plain := b.LevelPayload == ""
		if plain && !r.given(t, "on_payload") {
			b.OnPayload = homie.Bool(true)
		}
		if plain && !r.given(t, "off_payload") {
			b.OffPayload = homie.Bool(false)
		}
	}
	if b.HomiePower != nil {
		b.PowerTopic = b.HomiePower.Topic()
	}
}

package device_test

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"gillkeeper/bridge/homie/device"
	"gillkeeper/bridge/mqtt"
	"gillkeeper/bridge/mqtt/topic"
	"gillkeeper/policy"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// post is a broker in memory with one session, and the validator that reads along.
type post struct {
	mu       sync.Mutex
	v        *validator
	kept     map[string]string
	sent     int
	times    map[string][]time.Time // by topic
	told     []string
	listen   []mqtt.Listener
	presence mqtt.Presence
}

func newPost(v *validator) *post {
	return &post{v: v, kept: map[string]string{}, times: map[string][]time.Time{}}
}

func (p *post) Publish(_ context.Context, name string, payload []byte, retain bool) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.sent++
	p.times[name] = append(p.times[name], time.Now())
	p.v.see(name, string(payload), retain)
	if retain && len(payload) > 0 {
		p.kept[name] = string(payload)
	} else if retain {
		delete(p.kept, name)
	}
	return nil
}

func (p *post) Tell(name string, payload []byte) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.told = append(p.told, name+" "+string(payload))
	p.v.see(name, string(payload), false)
	return nil
}

// connect does what a session does on a connection: it subscribes, which brings what is retained, and announces.
func (p *post) connect(t *testing.T, x *device.Publisher) {
	t.Helper()
	p.listen, p.presence = x.Listeners(), x.Presence()
	for name, payload := range p.retained() {
		p.deliver(name, payload, true)
	}
	out := func(name string, payload []byte, retain bool) error {
		return p.Publish(t.Context(), name, payload, retain)
	}
	_ = out("homie/5/gk/$state", []byte("init"), true)
	if err := p.presence.Announce(t.Context(), out); err != nil {
		t.Fatal(err)
	}
	_ = out("homie/5/gk/$state", []byte("ready"), true)
}

// deliver is a message that comes in.
func (p *post) deliver(name, payload string, retained bool) {
	for _, l := range p.listen {
		if topic.Match(l.Filter, name) {
			l.Handle(name, []byte(payload), retained)
		}
	}
}

func (p *post) retained() map[string]string {
	p.mu.Lock()
	defer p.mu.Unlock()
	m := map[string]string{}
	for k, v := range p.kept {
		m[k] = v
	}
	return m
}

func (p *post) holds(name string) string { return p.retained()[name] }

// home owns simulated chambers under the real policies.
type home struct {
	mu   sync.Mutex
	all  []*room
	acts []policy.Action
}

type room struct {
	p    *policy.Policy
	s    policy.State
	run  *rehearse.Run
	snap *policy.Snapshot
	now  time.Time
}

// Step is the controller's.
func (r *room) Step(in policy.Input) policy.Decision {
	var d policy.Decision
	r.s, d = r.p.Step(r.s, in)
	r.now = in.Now
	r.snap = &policy.Snapshot{Spec: r.p.Spec, Wall: in.Wall, State: r.s, Decision: d}
	return d
}

var morning = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// settle makes chambers of the family, a batch in each.
func settle(t testing.TB, length time.Duration, names ...string) *home {
	t.Helper()
	h := &home{}
	for i, name := range names {
		c := rehearse.FamilyCase(uint64(i+1), species.Fruiting)
		spec := *c.Spec
		spec.Name = name
		c.Spec, c.Start, c.For, c.Gather, c.RefillEvery = &spec, morning, length, time.Minute, 0
		c.Actions = []policy.Action{{ID: "b-" + name, Kind: policy.BatchAdd, At: morning, Batch: "ost-" + fmt.Sprint(i), Species: "pleurotus-ostreatus",
			Stage: species.Fruiting, SubstrateKg: 12, DryKg: 4.2}}
		r := &room{p: &policy.Policy{Spec: c.Spec, Climates: species.Builtin(), Rules: true}}
		r.s = r.p.Fresh(morning)
		var err error
		if r.run, err = rehearse.New(c, r); err != nil {
			t.Fatal(err)
		}
		h.all = append(h.all, r)
	}
	return h
}

func (h *home) advance(d time.Duration) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, r := range h.all {
		r.run.Advance(d)
	}
}

func (h *home) snapshots() []*policy.Snapshot {
	h.mu.Lock()
	defer h.mu.Unlock()
	var list []*policy.Snapshot
	for _, r := range h.all {
		list = append(list, r.snap)
	}
	return list
}

func (h *home) act(_ context.Context, chamber string, a policy.Action) (*policy.Snapshot, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	i := slices.IndexFunc(h.all, func(r *room) bool { return r.p.Spec.Name == chamber })
	if i < 0 {
		return nil, &policy.Refusal{Field: "chamber", Value: chamber, Missing: true}
	}
	r := h.all[i]
	a.At = r.now
	if err := r.p.Check(&r.s, &a); err != nil {
		return nil, err
	}
	h.acts = append(h.acts, a)
	r.Step(policy.Input{Now: r.now, Wall: r.now, Link: true, Actions: []policy.Action{a}})
	return r.snap, nil
}

func (h *home) done() []policy.Action {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Clone(h.acts)
}

// counts counts messages by result.
type counts struct {
	mu sync.Mutex
	by map[mqtt.Result]int
}

func (c *counts) Message(_ string, r mqtt.Result) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.by == nil {
		c.by = map[mqtt.Result]int{}
	}
	c.by[r]++
}

func (c *counts) of(r mqtt.Result) int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.by[r]
}

func publisher(h *home, c *counts, settable bool) *device.Publisher {
	return device.New(device.Options{Root: "gk", Name: "North shed", Version: "1.2.3", Settable: settable, Snapshots: h.snapshots, Act: h.act, Counter: c})
}

package device

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"gillkeeper/bridge/homie"
	"gillkeeper/bridge/mqtt"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/guard"
)

// by is how an action says that it came from a controller.
const by = "topic"

// obey does what a controller set, tells it so, and shows the outcome.
func (p *Publisher) obey(ctx context.Context, b Broker, s set) {
	snap := p.chamber(s.device)
	if snap == nil {
		return // its chamber is gone
	}
	name := snap.Spec.Name
	a, prop, err := p.action(snap, &s)
	if err != nil {
		p.refuse(b, name, &s, err)
		return
	}
	if p.paces[s.device] == nil {
		p.paces[s.device] = newPace()
	}
	if !p.paces[s.device].Allow() {
		p.refuse(b, name, &s, fmt.Errorf("too many commands: %d at once and then one every %v are done; look whether two controllers answer each other", mostAtOnce, oneEvery))
		return
	}
	acting, cancel := context.WithTimeout(ctx, p.o.Timing.Act)
	defer cancel()
	_, err = p.o.Act(acting, name, a)
	if _, ok := errors.AsType[*policy.Refusal](err); ok {
		p.refuse(b, name, &s, err)
		return
	}
	p.o.Counter.Message(name, mqtt.OK)
	if err != nil {
		p.complain(b, "error", name, &s, err)
		return
	}
	p.o.Log.Info("a controller acted", "chamber", name, "what", s.node+"/"+s.property, "payload", excerpt(s.payload))
	p.confirm(ctx, b, &s, prop)
}

func (p *Publisher) chamber(device string) *policy.Snapshot {
	for _, s := range p.o.Snapshots() {
		if p.render.deviceID(s.Spec.Name) == device {
			return s
		}
	}
	return nil
}

// action makes an action of a command, or says why there is none.
func (p *Publisher) action(snap *policy.Snapshot, s *set) (policy.Action, *homie.Property, error) {
	a := policy.Action{ID: rand.Text(), By: by}
	m := p.render.render(snap)
	prop, ok := m.description.Property(s.node, s.property)
	if !ok || !prop.Settable {
		return a, nil, errors.New("is not a property that can be set")
	}
	if err := prop.Accept(s.payload, 0); err != nil {
		return a, nil, err
	}
	switch {
	case s.property == stageProperty:
		a.Kind, a.Batch = policy.StageSet, batchOf(snap, s.node)
		return a, &prop, a.Stage.UnmarshalText([]byte(s.payload))
	case s.property == refillProperty:
		liters, err := prop.Fit(s.payload, 0)
		a.Kind, a.Liters = policy.Refilled, liters
		return a, &prop, err
	}
	plug := plugOf(snap, s.node)
	a.Kind, a.Plug, a.Hand, a.For = policy.HandSet, plug.Name, policy.Hand(s.payload), guard.HandAtPlug
	if a.Hand == policy.HandOn && plug.MaxOn > 0 {
		a.For = min(a.For, plug.MaxOn)
	}
	return a, &prop, nil
}

// batchOf gives the batch whose node that is. The node is known to be there.
func batchOf(snap *policy.Snapshot, node string) string {
	for i := range snap.State.Crop.Batches {
		if b := &snap.State.Crop.Batches[i]; b.Retired.IsZero() && batchNode+homie.ID(b.Name) == node {
			return b.Name
		}
	}
	return ""
}

func plugOf(snap *policy.Snapshot, node string) chamber.Plug {
	for i := range snap.Spec.Plugs {
		if plugNode+homie.ID(snap.Spec.Plugs[i].Name) == node {
			return snap.Spec.Plugs[i]
		}
	}
	return chamber.Plug{}
}

// refuse counts a command that cannot be done and says why.
func (p *Publisher) refuse(b Broker, name string, s *set, err error) {
	p.o.Counter.Message(name, mqtt.BadPayload)
	p.complain(b, "warn", name, s, err)
}

// complain says why a command was not done, where a person with a controller can read it, and not too often.
func (p *Publisher) complain(b Broker, level, name string, s *set, err error) {
	p.mu.Lock()
	quiet := time.Since(p.complained) < p.o.Timing.Complain
	if !quiet {
		p.complained = time.Now()
	}
	p.mu.Unlock()
	if quiet {
		return
	}
	what, payload := excerpt(s.node+"/"+s.property), excerpt(s.payload)
	p.o.Log.Warn("a controller's command is not obeyed", "chamber", name, "what", what, "payload", payload, "error", err)
	// Whether somebody reads it or not, nothing was done.
	_ = b.Tell(homie.Topic(p.o.Domain, s.device, "$log", level), fmt.Appendf(nil, "%s to %s: %s", what, payload, err))
}

// confirm tells the controller that its command was taken: the very bytes in $target, or the value of an event, and
// then how the chamber stands.
func (p *Publisher) confirm(ctx context.Context, b Broker, s *set, prop *homie.Property) {
	p.mu.Lock()
	defer p.mu.Unlock()
	x := p.shown[s.device]
	if !p.announced || x == nil {
		return
	}
	topic := homie.Topic(p.o.Domain, s.device, s.node, s.property)
	if !prop.IsRetained() {
		_ = b.Tell(topic, []byte(s.payload)) // an event: now or never
	} else {
		x.sent[topic+"/$target"] = s.payload
		delete(x.sent, topic) // said again even if it was so already
		if b.Publish(ctx, topic+"/$target", []byte(s.payload), true) != nil {
			p.announced = false
			return
		}
	}
	snap := p.chamber(s.device)
	if snap == nil {
		return
	}
	x.complete = false
	budget := p.o.Timing.Most
	out := func(topic string, payload []byte, retain bool) error {
		budget--
		return b.Publish(ctx, topic, payload, retain)
	}
	if p.refresh(snap, out, &budget) != nil {
		p.announced = false
	}
}

// excerpt quotes the beginning of what a stranger sent, on one line.
func excerpt(s string) string {
	const most = 60
	if len(s) > most {
		s = strings.ToValidUTF8(s[:most], "") + "…"
	}
	return strconv.QuoteToGraphic(s)
}

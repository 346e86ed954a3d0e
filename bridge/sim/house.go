// Package sim simulates chambers that speak MQTT: sensors that publish, plugs that obey, answer and meter, with every
// fault that [plant.Fault] knows, on a clock that may run fast.
//
// It must never be imported by the daemon's path; demonstrations, drills and tests use it. Start reading at [New].
package sim

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"sync"
	"time"

	"crypto/tls"

	"gillkeeper/bridge/clock"
	"gillkeeper/bridge/config"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/rehearse"
)

// step is the step of the simulation, on its clock.
const step = time.Second

// longestCatchUp bounds how much of the clock's time is made up for at once when the machine could not follow; what is
// beyond it, as after a machine was suspended, passes unsimulated.
const longestCatchUp = 10 * time.Minute

// Options say which house to simulate. URL, Clock and Chambers are required.
type Options struct {
	URL      *url.URL // of the broker: mqtt, mqtts, ws or wss
	TLS      *tls.Config
	Username string
	Password string
	ClientID string // default: "simulated-house"

	Clock    *clock.Clock
	Chambers []Chamber
	Log      *slog.Logger // nil says nothing

	// RetainReadings lets sensors publish retained, as some do. Plugs always do so of their state.
	RetainReadings bool
}

// Chamber is one chamber of a house: how it speaks, and what it is. The case's Spec, Sensors and Outlets must be in
// the order of the configuration; its Start, For and Actions are not used. Chambers that stand in one room have one
// Weather.
type Chamber struct {
	Config config.Chamber
	Case   *rehearse.Case
}

// House is a number of simulated chambers on one connection. Its methods may be called from any goroutine.
type House struct {
	o     Options
	log   *slog.Logger
	ready chan struct{} // closed when the first connection is up and subscribed
	up    sync.Once

	mu       sync.Mutex
	chambers []*simulated
	start    time.Time
	at       time.Time // of the last step
	commands []Command
	outbox   []letter
	inbox    []arrival
	unread   map[string]int // payloads that are no command, by topic
}

// New checks the options and sets the house up; nothing runs before [House.Run].
func New(o Options) (*House, error) {
	if o.URL == nil || o.Clock == nil || len(o.Chambers) == 0 {
		return nil, errors.New("simulated house: a broker URL, a clock and a chamber are needed")
	}
	if o.ClientID == "" {
		o.ClientID = "simulated-house"
	}
	h := &House{o: o, log: o.Log, ready: make(chan struct{}), unread: map[string]int{}}
	if h.log == nil {
		h.log = slog.New(slog.DiscardHandler)
	}
	for i := range o.Chambers {
		c, err := newSimulated(i, &o.Chambers[i], o.RetainReadings, h.speaksOn)
		if err != nil {
			return nil, err
		}
		h.chambers = append(h.chambers, c)
	}
	return h, nil
}

// speaksOn reports whether a chamber set up so far publishes on a topic.
func (h *House) speaksOn(topic string) bool {
	for _, c := range h.chambers {
		for _, p := range c.topics {
			if p.topic == topic {
				return true
			}
		}
	}
	return false
}

// Ready is closed once sensors and plugs are connected and commands are heard.
func (h *House) Ready() <-chan struct{} { return h.ready }

// Run simulates until ctx ends, and returns when nothing of it runs any more. A broker that is away is awaited.
func (h *House) Run(ctx context.Context) error {
	l := h.connect()
	defer l.close()
	h.mu.Lock()
	h.start = h.o.Clock.Now()
	next := h.start
	h.mu.Unlock()
	for {
		if err := h.o.Clock.Sleep(ctx, next.Add(h.pause()).Sub(h.o.Clock.Now())); err != nil {
			break
		}
		now := h.o.Clock.Now()
		if lag := now.Sub(next); lag > longestCatchUp {
			next = now.Add(-longestCatchUp)
		}
		for !next.Add(step).After(now) && ctx.Err() == nil {
			next = next.Add(step)
			for _, m := range h.advance(next, l.open()) {
				l.publish(m)
			}
		}
	}
	if err := context.Cause(ctx); !errors.Is(err, context.Canceled) && !errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return nil
}

// pause is the clock's time between two looks: even a fast clock leaves the machine a rest.
func (h *House) pause() time.Duration {
	return max(step, time.Duration(float64(2*time.Millisecond)*h.o.Clock.Pace()))
}

// Behind is by how much of the clock's time the simulation lags, beyond the rest that it takes between two looks.
func (h *House) Behind() time.Duration {
	h.mu.Lock()
	at := h.at
	h.mu.Unlock()
	if at.IsZero() {
		return 0
	}
	return max(0, h.o.Clock.Now().Sub(at)-h.pause())
}

// advance lets every chamber take one step and gives what leaves.
func (h *House) advance(now time.Time, open bool) []letter {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.at = now
	left := h.inbox[:0]
	for _, a := range h.inbox {
		if a.at.After(now) { // the simulation is behind the clock: nothing is heard before it was said
			left = append(left, a)
		} else {
			h.hear(now, a)
		}
	}
	h.inbox = left
	h.outbox = h.outbox[:0]
	for _, c := range h.chambers {
		h.outbox = c.advance(open, h.outbox)
	}
	return h.outbox
}

// hear carries out a command.
func (h *House) hear(now time.Time, a arrival) {
	for _, c := range h.chambers {
		for i := range c.config.Plugs {
			if c.config.Plugs[i].CommandTopic != a.topic {
				continue
			}
			o, ok := parseCommand(&c.config.Plugs[i], a.payload)
			if !ok {
				if h.unread[a.topic]++; h.unread[a.topic] == 1 {
					h.log.Warn("a payload that is no command", "topic", a.topic, "payload", a.payload)
				}
				continue
			}
			h.commands = append(h.commands, Command{At: now, Chamber: c.index, Plug: i, On: o.On, Level: o.Level, For: o.For, Retained: a.retained})
			if !a.retained { // a plug that reconnects must not do what was said long ago
				c.command(i, o)
			}
		}
	}
}

// Command is one that a plug was sent.
type Command struct {
	At       time.Time // on the house's clock
	Chamber  int
	Plug     int
	On       bool
	Level    float64       // share of full output; 0 with On: it was told no level
	For      time.Duration // of a timed payload; 0: none
	Retained bool          // which no command may be; it was not carried out
}

// Commands are those that arrived so far.
func (h *House) Commands() []Command {
	h.mu.Lock()
	defer h.mu.Unlock()
	return append([]Command(nil), h.commands...)
}

// Violations are the switchings of a chamber's plugs that came sooner than their minimum times allow.
func (h *House) Violations(chamber int) []plant.Violation {
	h.mu.Lock()
	defer h.mu.Unlock()
	return append([]plant.Violation(nil), h.chambers[chamber].rig.Violations...)
}

// Figures are those of a chamber's true state so far.
func (h *House) Figures(chamber int) rehearse.Figures {
	h.mu.Lock()
	defer h.mu.Unlock()
	c := h.chambers[chamber]
	return c.tally.Figures(c.names, c.rig)
}

// Look is a chamber at one moment, as it truly is.
type Look struct {
	Elapsed    time.Duration // since the start, on the house's clock
	Air        plant.Truth
	Room       plant.Room
	ReservoirG float64
	On         []bool    // by plug
	Output     []float64 // by plug: share of full output
}

// Look looks into a chamber.
func (h *House) Look(chamber int) Look {
	h.mu.Lock()
	defer h.mu.Unlock()
	c := h.chambers[chamber]
	l := Look{Elapsed: c.elapsed, Air: c.rig.State.Truth(&c.rig.Params), Room: c.rig.Room(), ReservoirG: c.rig.State.ReservoirG}
	for i := range c.rig.Outlets {
		o := &c.rig.Outlets[i]
		l.On = append(l.On, o.On)
		l.Output = append(l.Output, o.Level)
	}
	return l
}

// Fault lets something go wrong in a chamber; its From counts from now.
func (h *House) Fault(chamber int, f plant.Fault) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	c := h.chambers[chamber]
	if err := f.Check(len(c.rig.Sensors), len(c.rig.Outlets)); err != nil {
		return fmt.Errorf("chamber %s: %w", c.config.Spec.Name, err)
	}
	f.From += c.rig.Seconds()
	c.rig.Faults = append(c.rig.Faults, f)
	return nil
}

// Mend ends every fault of a chamber.
func (h *House) Mend(chamber int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.chambers[chamber].rig.Faults = nil
}

// Hand switches a plug at its button.
func (h *House) Hand(chamber, plug int, on bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.chambers[chamber].rig.Hand(plug, on)
}

// Refill fills a chamber's reservoir.
func (h *House) Refill(chamber int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.chambers[chamber].rig.Refill()
}

// Drain leaves so many grams in a chamber's reservoir.
func (h *House) Drain(chamber int, grams float64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.chambers[chamber].rig.State.ReservoirG = grams
}

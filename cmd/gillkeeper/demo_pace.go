package main

import (
	"context"
	"math"
	"sync/atomic"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"gillkeeper/bridge/clock"
)

// governor slows the demonstration's clock where the machine cannot follow. A message that takes 20 ms on its way is late
// by twelve seconds on a clock that runs 600 times faster, and no controller could hold a chamber like that.
type governor struct {
	clock  *clock.Clock
	want   float64              // the pace asked for
	behind func() time.Duration // of the clock's time, by which the simulated chambers lag

	pace atomic.Uint64 // at present, as bits of a float64
}

const (
	bearable  = 2 * time.Second // on the clock, from saying something to its being heard
	echoEvery = 40 * time.Millisecond
	echoTopic = "gillkeeper-demo/echo"
	// slowest is the pace below which it is not slowed.
	slowest = 10.0
)

func newGovernor(c *clock.Clock, pace float64, behind func() time.Duration) *governor {
	g := &governor{clock: c, want: pace, behind: behind}
	g.pace.Store(math.Float64bits(pace))
	return g
}

// now is the present pace.
func (g *governor) now() float64 { return math.Float64frombits(g.pace.Load()) }

// run measures how long a message takes through the broker, again and again, until ctx ends.
func (g *governor) run(ctx context.Context, broker string) {
	heard := make(chan struct{}, 1)
	client := paho.NewClient(paho.NewClientOptions().AddBroker(broker).SetClientID("demonstration-echo"))
	defer client.Disconnect(0)
	if t := client.Connect(); !t.WaitTimeout(5*time.Second) || t.Error() != nil {
		return // nothing to measure by: the pace stays as it is
	}
	client.Subscribe(echoTopic, 0, func(paho.Client, paho.Message) {
		select {
		case heard <- struct{}{}:
		default:
		}
	}).WaitTimeout(5 * time.Second)
	rest := time.NewTicker(echoEvery)
	defer rest.Stop()
	for {
		select {
		case <-rest.C:
		case <-ctx.Done():
			return
		}
		said := time.Now()
		client.Publish(echoTopic, 0, false, "echo")
		select {
		case <-heard:
		case <-time.After(time.Second):
		case <-ctx.Done():
			return
		}
		g.set(time.Since(said))
	}
}

// set takes a message's time on its way in. Slowing is quick, and getting quicker again slow.
func (g *governor) set(way time.Duration) {
	pace := g.now()
	allowed := bearable.Seconds() / way.Seconds()
	if g.behind() > 2*bearable {
		allowed = min(allowed, 0.8*pace)
	}
	least := min(slowest, g.want)
	if allowed < pace {
		pace = max(allowed, 0.5*pace, least)
	} else {
		pace = min(g.want, allowed, 1.1*pace)
	}
	if pace != g.now() {
		g.pace.Store(math.Float64bits(pace))
		g.clock.SetPace(pace)
	}
}

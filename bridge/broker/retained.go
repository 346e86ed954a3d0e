package broker

import (
	"sync"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// retained keeps retained messages from being written while a subscription with a wildcard is answered with them. The
// engine guards them one by one but reads and writes their topics without a lock; half a topic could end the program.
// It brackets the engine's work by the hooks that come before and after it, which run in the goroutine of the client.
type retained struct {
	mochi.HookBase
	topics sync.RWMutex

	mu      sync.Mutex
	reading map[*mochi.Client]bool
}

func newRetained() *retained { return &retained{reading: map[*mochi.Client]bool{}} }

func (r *retained) ID() string { return "retained" }

func (r *retained) Provides(what byte) bool {
	switch what {
	case mochi.OnConnect, mochi.OnPublish, mochi.OnWill, mochi.OnRetainMessage, mochi.OnPacketSent, mochi.OnPacketProcessed:
		return true
	}
	return false
}

// OnConnect makes an MQTT 5 will with a delay go at once: a late one would be retained past these brackets.
func (r *retained) OnConnect(c *mochi.Client, _ packets.Packet) error {
	c.Properties.Will.WillDelayInterval = 0
	return nil
}

// OnPublish comes before the message is retained.
func (r *retained) OnPublish(_ *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	if pk.FixedHeader.Retain {
		r.topics.Lock()
	}
	return pk, nil
}

// OnWill comes before the will is retained.
func (r *retained) OnWill(_ *mochi.Client, w mochi.Will) (mochi.Will, error) {
	if w.Retain {
		r.topics.Lock()
	}
	return w, nil
}

// OnRetainMessage comes when it was.
func (r *retained) OnRetainMessage(*mochi.Client, packets.Packet, int64) { r.topics.Unlock() }

// OnPacketSent comes between the answer to a subscription and the retained messages. The answer itself is not
// bracketed: a client that does not read could hold it up, and everybody with it.
func (r *retained) OnPacketSent(c *mochi.Client, pk packets.Packet, _ []byte) {
	if pk.FixedHeader.Type != packets.Suback {
		return
	}
	r.topics.RLock()
	r.mu.Lock()
	defer r.mu.Unlock()
	r.reading[c] = true
}

// OnPacketProcessed comes when they were handed on.
func (r *retained) OnPacketProcessed(c *mochi.Client, pk packets.Packet, _ error) {
	if pk.FixedHeader.Type != packets.Subscribe {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.reading[c] {
		delete(r.reading, c)
		r.topics.RUnlock()
	}
}

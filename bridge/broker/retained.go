package broker

import (
	"log/slog"
	"sync"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// retained keeps retained messages from being written while a subscription with a wildcard is answered with them. The
// engine guards them one by one but reads and writes their topics without a lock; half a topic could end the program.
// It brackets the engine's work by the hooks that come before and after it, which run in the goroutine of the client.
//
// It also bounds what is retained: a device that puts the time into its topics would fill the memory of the program. A message beyond the
// bound is delivered and not kept, but for one that takes the place of another: a stale one would mislead.
type retained struct {
	mochi.HookBase
	most   int // bytes
	log    *slog.Logger
	topics sync.RWMutex
	kept   map[string]int // bytes of the payload by topic; guarded by topics
	size   int            // of all, guarded by topics

	mu      sync.Mutex
	reading map[*mochi.Client]bool
	full    sync.Once
}

func newRetained(most int, log *slog.Logger) *retained {
	return &retained{most: most, log: log, kept: map[string]int{}, reading: map[*mochi.Client]bool{}}
}

// keeps reports whether one more message may be retained. It holds the topics where it may.
func (r *retained) keeps(topic string, payload []byte) bool {
	r.topics.Lock()
	_, there := r.kept[topic]
	if there || len(payload) == 0 || r.size+cost(topic, len(payload)) <= r.most {
		return true
	}
	n := len(r.kept)
	r.topics.Unlock()
	r.full.Do(func() {
		r.log.Error("embedded broker retains no messages on further topics: there are too many, and some device probably makes new ones all the time",
			"topics", n, "example", topic)
	})
	return false
}

func cost(topic string, payload int) int { return retainedCost + len(topic) + payload }

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
		pk.FixedHeader.Retain = r.keeps(pk.TopicName, pk.Payload)
	}
	return pk, nil
}

// OnWill comes before the will is retained.
func (r *retained) OnWill(_ *mochi.Client, w mochi.Will) (mochi.Will, error) {
	if w.Retain {
		w.Retain = r.keeps(w.TopicName, w.Payload)
	}
	return w, nil
}

// OnRetainMessage comes when it was.
func (r *retained) OnRetainMessage(_ *mochi.Client, pk packets.Packet, _ int64) {
	defer r.topics.Unlock()
	if old, there := r.kept[pk.TopicName]; there {
		r.size -= cost(pk.TopicName, old)
		delete(r.kept, pk.TopicName)
	}
	if n := len(pk.Payload); n > 0 {
		r.size += cost(pk.TopicName, n)
		r.kept[pk.TopicName] = n
	}
}

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

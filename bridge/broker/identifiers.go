package broker

import (
	"sync"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// identifiers keeps the packet identifiers of a client apart from those that the engine gives to its own messages to
// that client. They are separate by MQTT 3.1.1 §2.3.1, and both count from 1, but the engine looks one up among the
// other: it refuses a subscription, or passes over its end, when a message of the same number waits to be acknowledged,
// and a message from the client makes it forget that one. What is retained and what comes live both stay away then.
//
// So a client's packet goes in under a number that the engine neither uses nor is about to, and the answer goes out
// under the client's own. One pair at a time is enough: the engine answers a packet before it reads the next. With
// QoS 2, where an answer comes in two parts, numbers are left as they are.
type identifiers struct {
	mochi.HookBase
	mu sync.Mutex
	of map[*mochi.Client]*identifier
}

type identifier struct {
	own, inside uint16 // of the client's packet that was read last
	last        uint16 // that the engine gave to a message
}

func newIdentifiers() *identifiers { return &identifiers{of: map[*mochi.Client]*identifier{}} }

func (i *identifiers) ID() string { return "identifiers" }

func (i *identifiers) Provides(what byte) bool {
	switch what {
	case mochi.OnConnect, mochi.OnPacketRead, mochi.OnPacketEncode, mochi.OnQosPublish, mochi.OnDisconnect:
		return true
	}
	return false
}

// OnConnect lets the engine send without minding an MQTT 5 client's Receive Maximum. To mind it, the engine takes a
// read lock twice, and a message that comes in between locks the broker up for good. A client that is sent more than it
// takes closes its connection, which is the smaller evil.
func (i *identifiers) OnConnect(c *mochi.Client, _ packets.Packet) error {
	c.Properties.Props.ReceiveMaximum = 0 // for a session that is taken over
	c.State.Inflight.ResetSendQuota(0)
	return nil
}

func (i *identifiers) OnPacketRead(c *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	if pk.FixedHeader.Type == packets.Connect { // it may yet be turned away, and nobody tells of that
		return pk, nil
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	n := i.of[c]
	if n == nil {
		n = &identifier{}
		i.of[c] = n
	}
	switch {
	case pk.PacketID == 0: // the engine's own checks are to see that
		return pk, nil
	case pk.FixedHeader.Type == packets.Subscribe, pk.FixedHeader.Type == packets.Unsubscribe,
		pk.FixedHeader.Type == packets.Publish && pk.FixedHeader.Qos == 1:
	default:
		return pk, nil
	}
	n.own, n.inside = pk.PacketID, n.last+1<<15
	for {
		if _, used := c.State.Inflight.Get(n.inside); !used && n.inside != 0 {
			break
		}
		n.inside++
	}
	pk.PacketID = n.inside
	return pk, nil
}

func (i *identifiers) OnPacketEncode(c *mochi.Client, pk packets.Packet) packets.Packet {
	switch pk.FixedHeader.Type {
	case packets.Suback, packets.Unsuback, packets.Puback:
		i.mu.Lock()
		defer i.mu.Unlock()
		if n := i.of[c]; n != nil && pk.PacketID == n.inside {
			pk.PacketID = n.own
		}
	}
	return pk
}

func (i *identifiers) OnQosPublish(c *mochi.Client, pk packets.Packet, _ int64, _ int) {
	if pk.FixedHeader.Type != packets.Publish {
		return
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	if n := i.of[c]; n != nil {
		n.last = pk.PacketID
	}
}

// OnDisconnect also drops an answer that could not be sent: under its inside number it would mean nothing to the client
// when it comes back, which then sends its message again.
func (i *identifiers) OnDisconnect(c *mochi.Client, _ error, _ bool) {
	i.mu.Lock()
	defer i.mu.Unlock()
	n := i.of[c]
	if n == nil {
		return
	}
	delete(i.of, c)
	if pk, waits := c.State.Inflight.Get(n.inside); waits && pk.FixedHeader.Type == packets.Puback {
		c.State.Inflight.Delete(n.inside)
	}
}

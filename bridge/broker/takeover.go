package broker

import (
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// takeover has a client that comes again wait until its earlier connection is seen to the end. The engine takes a
// client's subscriptions away by its identifier, and looks at whether somebody else has it by then only before it
// begins: a client that reconnected at the same moment lost those that it had just made, and was told nothing.
type takeover struct {
	mochi.HookBase
	server *mochi.Server
	door   *door
}

// takeoverPatience bounds the wait: the earlier connection is closed already.
const takeoverPatience = 5 * time.Second

func (t *takeover) ID() string { return "takeover" }

func (t *takeover) Provides(what byte) bool { return what == mochi.OnSessionEstablish }

// OnSessionEstablish comes when the client was let in, before it takes its identifier over.
func (t *takeover) OnSessionEstablish(c *mochi.Client, _ packets.Packet) {
	earlier, ok := t.server.Clients.Get(c.ID)
	if !ok || earlier == c || earlier.Net.Conn == nil {
		return
	}
	gone := t.door.gone(earlier.Net.Conn)
	if gone == nil {
		return
	}
	_ = t.server.DisconnectClient(earlier, packets.ErrSessionTakenOver) // its error is the reason just given
	select {
	case <-gone:
	case <-time.After(takeoverPatience):
	}
}

package broker

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"log/slog"
	"strings"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"gillkeeper/bridge/mqtt/topic"
)

// guard decides who comes in and which topics are legal. The engine by itself takes some illegal filters and lets
// nobody in.
type guard struct {
	mochi.HookBase
	open               bool
	username, password [sha256.Size]byte
	mayRead, mayWrite  func(username, topic string) bool
}

func newGuard(o Options) *guard {
	return &guard{
		open:     o.Username == "",
		username: sha256.Sum256([]byte(o.Username)), password: sha256.Sum256([]byte(o.Password)),
		mayRead: o.MayRead, mayWrite: o.MayWrite,
	}
}

func (g *guard) ID() string { return "guard" }

func (g *guard) Provides(what byte) bool {
	switch what {
	case mochi.OnConnect, mochi.OnConnectAuthenticate, mochi.OnACLCheck, mochi.OnPacketRead:
		return true
	}
	return false
}

// OnConnect refuses a last will that could not be published.
func (g *guard) OnConnect(_ *mochi.Client, pk packets.Packet) error {
	if pk.Connect.WillFlag && topic.CheckPublish(pk.Connect.WillTopic) != nil {
		return packets.ErrTopicNameInvalid
	}
	return nil
}

// OnConnectAuthenticate compares hashes, so that the time it takes tells nothing of either word.
func (g *guard) OnConnectAuthenticate(c *mochi.Client, pk packets.Packet) bool {
	if g.open {
		return true
	}
	u, p := sha256.Sum256(pk.Connect.Username), sha256.Sum256(pk.Connect.Password)
	known := subtle.ConstantTimeCompare(u[:], g.username[:])&subtle.ConstantTimeCompare(p[:], g.password[:]) == 1
	if conn, ok := c.Net.Conn.(*parting); ok && !known {
		conn.refused.Store(true)
	}
	return known
}

// OnPacketRead closes the connection of whoever publishes to an illegal topic, as MQTT 3.1.1 §4.8 asks. With MQTT 5 a
// topic may be empty where an alias stands for it.
func (g *guard) OnPacketRead(_ *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	if pk.FixedHeader.Type != packets.Publish || pk.TopicName == "" && pk.Properties.TopicAliasFlag {
		return pk, nil
	}
	if topic.CheckPublish(pk.TopicName) != nil {
		return pk, packets.ErrRejectPacket
	}
	return pk, nil
}

// OnACLCheck is asked with a filter when a client subscribes, and with a name when a message goes either way. A
// subscription that it denies is answered with a failure code.
func (g *guard) OnACLCheck(c *mochi.Client, name string, write bool) bool {
	may, legal := g.mayRead, topic.CheckFilter
	if write {
		may, legal = g.mayWrite, topic.CheckPublish
	}
	if strings.HasPrefix(name, "$SYS") { // retained behind the back of our brackets, see retained
		return false
	}
	return (may == nil || may(string(c.Properties.Username), name)) && legal(name) == nil
}

// muffled lets the engine say what went wrong with the broker itself. It warns of every client that hung up and of
// every message that a slow one missed: a stranger could fill the disk with that.
type muffled struct{ slog.Handler }

func (m muffled) Handle(ctx context.Context, r slog.Record) error {
	r.AddAttrs(slog.String("source", "embedded broker"))
	return m.Handler.Handle(ctx, r)
}

func (m muffled) Enabled(ctx context.Context, l slog.Level) bool {
	return l >= slog.LevelError && m.Handler.Enabled(ctx, l)
}

func (m muffled) WithAttrs(a []slog.Attr) slog.Handler { return muffled{m.Handler.WithAttrs(a)} }
func (m muffled) WithGroup(name string) slog.Handler   { return muffled{m.Handler.WithGroup(name)} }

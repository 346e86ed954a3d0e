package broker

import (
	"bufio"
	"bytes"
	"fmt"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

// TestIdentifiersOfBothSidesAreApart holds what MQTT 3.1.1 §2.3.1 says: client and server give packet identifiers
// independently of each other. A message that the client has not acknowledged yet has the number of all that it sends.
func TestIdentifiersOfBothSidesAreApart(t *testing.T) {
	b := start(t, Options{})
	conn, _ := dial(t, b, func(c *packets.ConnectPacket) { c.ClientIdentifier, c.CleanSession = "slow", false })
	other, _ := dial(t, b, func(c *packets.ConnectPacket) { c.ClientIdentifier = "other" })
	subscribe(t, conn, "a")
	send(t, other, "a", "waits", 1, false)
	if _, ok := read(t, other).(*packets.PubackPacket); !ok {
		t.Fatal("the message was not acknowledged")
	}
	waits := read(t, conn).(*packets.PublishPacket)
	same := waits.MessageID

	s := packets.NewControlPacket(packets.Subscribe).(*packets.SubscribePacket)
	s.MessageID, s.Topics, s.Qoss = same, []string{"b/#"}, []byte{1}
	write(t, conn, s)
	if ack := read(t, conn).(*packets.SubackPacket); ack.MessageID != same || !bytes.Equal(ack.ReturnCodes, []byte{1}) {
		t.Errorf("subscription %d was answered as %d with %#v, want it granted", same, ack.MessageID, ack.ReturnCodes)
	}
	send(t, other, "b/c", "live", 0, false)
	if p := read(t, conn).(*packets.PublishPacket); p.TopicName != "b/c" {
		t.Errorf("got %q, want what was subscribed to", p.TopicName)
	}

	u := packets.NewControlPacket(packets.Unsubscribe).(*packets.UnsubscribePacket)
	u.MessageID, u.Topics = same, []string{"b/#"}
	write(t, conn, u)
	if ack := read(t, conn).(*packets.UnsubackPacket); ack.MessageID != same {
		t.Errorf("the end of a subscription %d was answered as %d", same, ack.MessageID)
	}
	send(t, other, "b/c", "unwanted", 0, false)
	write(t, other, packets.NewControlPacket(packets.Pingreq))
	read(t, other) // so the unwanted was handled

	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.MessageID, p.TopicName, p.Payload, p.Qos = same, "d", []byte("x"), 1
	write(t, conn, p)
	if ack, ok := read(t, conn).(*packets.PubackPacket); !ok || ack.MessageID != same {
		t.Errorf("a message %d was answered with %v", same, ack)
	}

	// Not acknowledged, so it comes again with the session: the client's own message of that number has not ended it.
	conn.Close()
	again, _ := dial(t, b, func(c *packets.ConnectPacket) { c.ClientIdentifier, c.CleanSession = "slow", false })
	if p, ok := read(t, again).(*packets.PublishPacket); !ok || string(p.Payload) != "waits" || !p.Dup {
		t.Errorf("after connecting anew came %v, want the message that was not acknowledged", p)
	}
}

func write(t *testing.T, conn net.Conn, p packets.ControlPacket) {
	t.Helper()
	if err := p.Write(conn); err != nil {
		t.Fatal(err)
	}
}

func read(t *testing.T, conn net.Conn) packets.ControlPacket {
	t.Helper()
	p, err := packets.ReadPacket(conn)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func send(t *testing.T, conn net.Conn, topic, payload string, qos byte, retain bool) {
	t.Helper()
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Payload, p.Qos, p.Retain, p.MessageID = topic, []byte(payload), qos, retain, 1
	write(t, conn, p)
}

// TestRetainedOrLiveButNeverNeither: devices appear while a controller looks for them by their state and subscribes to
// the rest of each as it finds it. Whatever the moment, every topic comes, as it was kept or as it comes.
func TestRetainedOrLiveButNeverNeither(t *testing.T) {
	const devices, topics = 12, 8
	for _, qos := range []byte{0, 1} {
		for round := range 4 {
			b := start(t, Options{})
			devicesOf, controller := connect(t, b, "devices"), connect(t, b, "controller")
			var mu sync.Mutex
			got := map[string]bool{}
			all := make(chan struct{})
			controller.AddRoute("#", func(_ paho.Client, m paho.Message) {
				mu.Lock()
				known := got[m.Topic()]
				got[m.Topic()] = true
				whole := len(got) == devices*(topics+1)
				mu.Unlock()
				if base, is := strings.CutSuffix(m.Topic(), "/state"); is && !known {
					go controller.Subscribe(base+"/#", qos, nil) // not in the goroutine that takes the answer
				}
				if whole && !known {
					close(all)
				}
			})
			var published sync.WaitGroup
			published.Go(func() {
				for d := range devices {
					for i := range topics {
						if i == topics/2 {
							devicesOf.Publish(fmt.Sprintf("house/%d/state", d), qos, true, "ready")
						}
						devicesOf.Publish(fmt.Sprintf("house/%d/%d", d, i), qos, true, "1")
					}
				}
			})
			time.Sleep(time.Duration(round) * 500 * time.Microsecond) // a different moment each time; no outcome hangs on it
			controller.Subscribe("house/+/state", qos, nil)
			published.Wait()
			select {
			case <-all:
			case <-time.After(patience):
				mu.Lock()
				t.Errorf("QoS %d, round %d: %d of %d topics came", qos, round, len(got), devices*(topics+1))
				mu.Unlock()
			}
		}
	}
}

func connect(t *testing.T, b *Broker, name string) paho.Client {
	t.Helper()
	c := paho.NewClient(paho.NewClientOptions().AddBroker(b.URL()).SetClientID(name).SetAutoReconnect(false))
	if token := c.Connect(); !token.WaitTimeout(patience) || token.Error() != nil {
		t.Fatalf("%s: %v", name, token.Error())
	}
	t.Cleanup(func() { c.Disconnect(50) })
	return c
}

// TestReceiveMaximum: an MQTT 5 client that names one is sent to from many sides while it acknowledges.
func TestReceiveMaximum(t *testing.T) {
	const senders, each = 4, 500
	b := start(t, Options{})
	conn, err := net.Dial("tcp", b.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(4 * patience))
	// CONNECT, version 5, clean start, keep alive 60 s, property Receive Maximum 50, client identifier "five".
	conn.Write([]byte{0x10, 20, 0, 4, 'M', 'Q', 'T', 'T', 5, 2, 0, 60, 3, 0x21, 0, 50, 0, 4, 'f', 'i', 'v', 'e'})
	// SUBSCRIBE number 1, no properties, "#" with QoS 1.
	conn.Write([]byte{0x82, 7, 0, 1, 0, 0, 1, '#', 1})
	r := bufio.NewReader(conn)
	next := func() (kind byte, body []byte) {
		kind, err := r.ReadByte()
		if err != nil {
			t.Fatalf("%v; is the broker locked up?", err)
		}
		length, err := r.ReadByte() // below 128 here
		if err != nil {
			t.Fatal(err)
		}
		body = make([]byte, length)
		for i := range body {
			if body[i], err = r.ReadByte(); err != nil {
				t.Fatal(err)
			}
		}
		return kind >> 4, body
	}
	for _, want := range []byte{2, 9} {
		if kind, body := next(); kind != want {
			t.Fatalf("packet of type %d with %#v, want %d", kind, body, want)
		}
	}
	for i := range senders {
		c := connect(t, b, fmt.Sprint("sender", i))
		go func() {
			for range each {
				c.Publish("a", 1, false, "x")
			}
		}()
	}
	for range senders * each {
		kind, body := next()
		for ; kind != 3; kind, body = next() {
		}
		id := body[3:5] // after the topic, a byte long
		if _, err := conn.Write([]byte{0x40, 2, id[0], id[1]}); err != nil {
			t.Fatal(err)
		}
	}
}

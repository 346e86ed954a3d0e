package mqtt

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"net/url"
	"os"
	"strings"
	"syscall"
	"testing"
	"testing/iotest"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"pgregory.net/rapid"
)

func clip(b []byte) ([]byte, error) {
	return io.ReadAll(&clipper{r: bufio.NewReaderSize(bytes.NewReader(b), 16)})
}

func published(topic string, qos byte, payload int) []byte {
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Qos, p.MessageID, p.Payload = topic, qos, 7, bytes.Repeat([]byte("x"), payload)
	var b bytes.Buffer
	if err := p.Write(&b); err != nil {
		panic(err)
	}
	return b.Bytes()
}

// TestClipperPassesPackets: what is not oversized comes through byte for byte, however it is cut into reads.
func TestClipperPassesPackets(t *testing.T) {
	ping := []byte{0xd0, 0}
	rapid.Check(t, func(t *rapid.T) {
		var stream []byte
		for range rapid.IntRange(0, 8).Draw(t, "packets") {
			if rapid.Bool().Draw(t, "ping") {
				stream = append(stream, ping...)
				continue
			}
			size := rapid.OneOf(rapid.IntRange(0, 300), rapid.SampledFrom([]int{126, 127, 128, 16_383, 16_384, MaxPayload, MaxPayload + 1})).Draw(t, "size")
			stream = append(stream, published("a/b", byte(rapid.IntRange(0, 1).Draw(t, "qos")), size)...)
		}
		got, err := io.ReadAll(iotest.OneByteReader(&clipper{r: bufio.NewReaderSize(iotest.HalfReader(bytes.NewReader(stream)), 16)}))
		if err != nil || !bytes.Equal(got, stream) {
			t.Fatalf("%d bytes became %d, error %v", len(stream), len(got), err)
		}
	})
}

// TestClipperCutsShort: an oversized PUBLISH arrives short but still above the limit, and what follows is intact.
func TestClipperCutsShort(t *testing.T) {
	for _, topic := range []string{"a", strings.Repeat("t", 65535)} {
		for _, qos := range []byte{0, 1} {
			stream := append(published(topic, qos, 1<<20), published("next", 0, 5)...)
			short, err := clip(stream)
			if err != nil {
				t.Fatal(err)
			}
			r := bytes.NewReader(short)
			first, err := packets.ReadPacket(r)
			if err != nil {
				t.Fatal(err)
			}
			p := first.(*packets.PublishPacket)
			if p.TopicName != topic || len(p.Payload) <= MaxPayload || len(p.Payload) > maxPacket {
				t.Errorf("topic of %d bytes, QoS %d: %d bytes of payload", len(topic), qos, len(p.Payload))
			}
			if second, err := packets.ReadPacket(r); err != nil || second.(*packets.PublishPacket).TopicName != "next" {
				t.Errorf("after it: %v, error %v", second, err)
			}
		}
	}
}

func TestClipperRefuses(t *testing.T) {
	for _, tc := range []struct {
		name   string
		stream []byte
		want   string
	}{
		{"length of five bytes", []byte{0x30, 0xff, 0xff, 0xff, 0xff, 0x01}, "no MQTT broker"},
		{"an oversized acknowledgement", []byte{0x90, 0xff, 0xff, 0xff, 0x7f}, "type 9"},
		{"cut in the header", []byte{0x30, 0xff}, "in its header"},
	} {
		if _, err := clip(tc.stream); err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s: error %v, want one with %q", tc.name, err, tc.want)
		}
	}
}

func FuzzClipper(f *testing.F) {
	f.Add(published("a", 1, 10))
	f.Add([]byte{0x30, 0xff, 0xff, 0xff, 0xff})
	f.Add([]byte{0xd0, 0, 0x20, 2, 0, 0})
	f.Fuzz(func(t *testing.T, b []byte) {
		got, err := clip(b)
		if len(got) > len(b)+4 {
			t.Fatalf("%d bytes became %d, error %v", len(b), len(got), err)
		}
	})
}

// pipe opens a wire to a listener of this test.
func pipe(t *testing.T, timing Timing) (*wire, net.Conn) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	w, err := open(t.Context(), &url.URL{Scheme: "mqtt", Host: l.Addr().String()}, nil, timing, nil)
	if err != nil {
		t.Fatal(err)
	}
	peer, err := l.Accept()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { w.Close(); peer.Close() })
	peer.SetDeadline(time.Now().Add(5 * time.Second))
	return w, peer
}

// TestDropResets: a dropped connection is reset, so that the kernel throws away what it had not delivered; a polite one
// is not, so that a DISCONNECT arrives.
func TestDropResets(t *testing.T) {
	w, peer := pipe(t, Production())
	w.drop(errors.New("overdue"))
	if _, err := peer.Read(make([]byte, 1)); !errors.Is(err, syscall.ECONNRESET) {
		t.Errorf("the other side reads %v, want a reset", err)
	}
	if _, err := w.Read(make([]byte, 1)); err == nil || err.Error() != "overdue" {
		t.Errorf("our side reads %v, want the cause", err)
	}
	w, peer = pipe(t, Production())
	w.polite()
	w.Close()
	if _, err := peer.Read(make([]byte, 1)); !errors.Is(err, io.EOF) {
		t.Errorf("the other side reads %v, want the end", err)
	}
}

// TestWriteDeadline: no write waits for ever on a peer that does not read, whatever the client does about deadlines.
func TestWriteDeadline(t *testing.T) {
	timing := Production()
	timing.Write = 50 * time.Millisecond
	w, _ := pipe(t, timing)
	if err := w.SetWriteDeadline(time.Time{}); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	for time.Since(began) < 5*time.Second {
		if _, err := w.Write(make([]byte, 1<<20)); err != nil {
			if !errors.Is(err, os.ErrDeadlineExceeded) {
				t.Errorf("error %v, want the deadline's", err)
			}
			return
		}
	}
	t.Error("writes to a peer that does not read go on and on")
}

func TestOpenEndsWithContext(t *testing.T) {
	ctx, cancel := context.WithCancelCause(t.Context())
	cancel(errors.New("enough"))
	if _, err := open(ctx, &url.URL{Scheme: "mqtt", Host: "127.0.0.1:1"}, nil, Production(), nil); err == nil {
		t.Error("opened a connection on an ended context")
	}
}

package mqtt

import (
	"bufio"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"sync"
	"sync/atomic"
	"time"
)

// open connects to a broker and tells asked if that wants a certificate. Everything it waits for ends by ctx or in the time allowed.
func open(ctx context.Context, u *url.URL, config *tls.Config, t Timing, asked func(*certificateAsked)) (*wire, error) {
	ctx, cancel := context.WithTimeout(ctx, t.Connect)
	defer cancel()
	conn, err := (&net.Dialer{}).DialContext(ctx, "tcp", u.Host)
	if err != nil {
		return nil, err
	}
	tcp := conn.(*net.TCPConn)
	// Closing throws away what was not delivered, instead of delivering it when the network comes back.
	if err := tcp.SetLinger(0); err != nil {
		tcp.Close()
		return nil, err
	}
	stop := context.AfterFunc(ctx, func() { tcp.Close() }) // for what follows that knows no ctx
	defer stop()
	if u.Scheme == "mqtts" || u.Scheme == "wss" {
		secure := tls.Client(tcp, showing(config, asked))
		if err := secure.HandshakeContext(ctx); err != nil {
			tcp.Close()
			return nil, err
		}
		conn = secure
	}
	if u.Scheme == "ws" || u.Scheme == "wss" {
		if conn, err = upgrade(ctx, u, conn); err != nil {
			tcp.Close()
			return nil, err
		}
	}
	if !stop() { // closed already
		return nil, context.Cause(ctx)
	}
	return &wire{Conn: conn, tcp: tcp, in: clipper{r: bufio.NewReaderSize(conn, 16<<10), first: true}, write: t.Write}, nil
}

// wire is the connection as the client sees it. Every write has a deadline: the client gives its publishes one, but
// not its pings and acknowledgements, and a ping stuck in a full buffer would hide that the broker is gone.
type wire struct {
	net.Conn
	tcp     *net.TCPConn
	in      clipper
	write   time.Duration
	mu      sync.Mutex // one write at a time: pings come beside publishes
	dropped atomic.Pointer[error]
}

func (w *wire) Read(p []byte) (int, error) {
	n, err := w.in.Read(p)
	return n, w.why(err)
}

func (w *wire) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if err := w.Conn.SetWriteDeadline(time.Now().Add(w.write)); err != nil {
		return 0, w.why(err)
	}
	n, err := w.Conn.Write(p)
	return n, w.why(err)
}

// SetWriteDeadline does nothing: the client would lift ours.
func (w *wire) SetWriteDeadline(time.Time) error { return nil }

// SetDeadline bounds reading the broker's consent.
func (w *wire) SetDeadline(t time.Time) error { return w.Conn.SetReadDeadline(t) }

// drop resets the connection below TLS, which would stop to say goodbye.
func (w *wire) drop(cause error) {
	w.dropped.CompareAndSwap(nil, &cause)
	w.tcp.Close()
}

// polite makes closing deliver what is on its way. An error means that the connection is closed already.
func (w *wire) polite() { _ = w.tcp.SetLinger(-1) }

// why puts the cause of a drop in the place of the network's error. The client takes an error that says "use of closed
// network connection" for its own doing and would not notice that the connection is gone.
func (w *wire) why(err error) error {
	if err == nil {
		return nil
	}
	if cause := w.dropped.Load(); cause != nil && errors.Is(err, net.ErrClosed) {
		return *cause
	}
	return err
}

// maxPacket lets a payload one byte above MaxPayload through, with the longest topic: enough to see that it is too
// large.
const maxPacket = 2 + 65535 + 2 + MaxPayload + 1

// clipper cuts oversized PUBLISH packets short as they come in. The client reads a packet into memory whole, up to
// 256 MiB, and anybody who may publish to a sensor's topic could send one. It also looks at what a connection begins with: a refusal by a
// code that it does not know is a success for the client, with a connection that it has closed.
type clipper struct {
	r     *bufio.Reader
	first bool   // no packet has come yet, and the broker's consent must be it
	head  []byte // of the packet at hand, still to be given out
	pass  int    // bytes of it to give out
	skip  int    // bytes of it to throw away then
}

// errNoMQTT says that something answers, and that it is no broker.
var errNoMQTT = errors.New("what answers there is no MQTT 3.1.1 broker")

// refusedBy is a broker's refusal by a code that MQTT 3.1.1 §3.2.2.3 keeps for others.
type refusedBy byte

func (r refusedBy) Error() string { return fmt.Sprintf("return code %d", byte(r)) }

func (c *clipper) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	if len(c.head) == 0 && c.pass == 0 {
		if _, err := io.CopyN(io.Discard, c.r, int64(c.skip)); err != nil {
			return 0, err
		}
		c.skip = 0
		if err := c.next(); err != nil {
			return 0, err
		}
	}
	if len(c.head) > 0 {
		n := copy(p, c.head)
		c.head = c.head[n:]
		return n, nil
	}
	n, err := c.r.Read(p[:min(len(p), c.pass)])
	c.pass -= n
	return n, err
}

// next reads a packet's fixed header (MQTT 3.1.1 §2.2): a type byte and the remaining length in 7-bit groups, the
// lowest first.
func (c *clipper) next() error {
	kind, err := c.r.ReadByte()
	if err != nil {
		return err
	}
	length := 0
	for shift := 0; ; shift += 7 {
		b, err := c.r.ReadByte()
		if err != nil {
			return fmt.Errorf("a packet ends in its header: %w", err)
		}
		length |= int(b&0x7f) << shift
		if b&0x80 == 0 {
			break
		}
		if shift == 21 {
			return errors.New("a packet's length has more than four bytes; this is no MQTT broker")
		}
	}
	const consent, publish, lastCode = 2, 3, 5
	if c.first {
		c.first = false
		if kind>>4 != consent || length != 2 {
			return errNoMQTT
		}
		if body, err := c.r.Peek(length); err == nil && body[1] > lastCode {
			return refusedBy(body[1])
		}
	}
	c.pass, c.skip = length, 0
	if length > maxPacket {
		if kind>>4 != publish {
			return fmt.Errorf("the broker sends a packet of type %d with %d bytes; it is not read", kind>>4, length)
		}
		c.pass, c.skip = maxPacket, length-maxPacket
	}
	c.head = append(c.head[:0:0], kind)
	for n := c.pass; ; {
		b := byte(n & 0x7f)
		if n >>= 7; n > 0 {
			c.head = append(c.head, b|0x80)
			continue
		}
		c.head = append(c.head, b)
		return nil
	}
}

package broker

import (
	"crypto/tls"
	"io"
	"log/slog"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"github.com/mochi-mqtt/server/v2/listeners"
)

// door accepts connections and remembers them, so that stopping leaves neither a connection nor a goroutine behind,
// not even of clients that connected and never said a word.
type door struct {
	listener net.Listener
	tls      *tls.Config
	log      *slog.Logger
	goodbye  func() // tells every client that the broker stops

	mu     sync.Mutex
	conns  map[net.Conn]chan struct{} // closed when nothing of the connection is left
	closed bool
	served sync.WaitGroup
}

func newDoor(l net.Listener, config *tls.Config, log *slog.Logger, goodbye func()) *door {
	return &door{listener: l, tls: config, log: log, goodbye: goodbye, conns: map[net.Conn]chan struct{}{}}
}

func (d *door) ID() string              { return "door" }
func (d *door) Protocol() string        { return "tcp" }
func (d *door) Address() string         { return d.listener.Addr().String() }
func (d *door) Init(*slog.Logger) error { return nil }

// Serve accepts until the listener closes.
func (d *door) Serve(establish listeners.EstablishFn) {
	d.mu.Lock()
	if d.closed {
		d.mu.Unlock()
		return
	}
	d.served.Add(1) // the listener is closed for clients only once nobody accepts from it any more
	d.mu.Unlock()
	defer d.served.Done()
	for {
		conn, err := d.listener.Accept()
		if err != nil {
			if d.stopped() {
				return
			}
			d.log.Warn("embedded broker could not accept a connection", "error", err)
			time.Sleep(50 * time.Millisecond) // out of file descriptors: do not spin
			continue
		}
		if d.tls != nil {
			conn = tls.Server(conn, d.tls)
		}
		conn = &parting{Conn: conn}
		if !d.enter(conn) {
			conn.Close()
			return
		}
		go func() {
			defer d.leave(conn)
			// Lifted when its CONNECT arrives. A client that stays silent must not stay.
			if err := conn.SetDeadline(time.Now().Add(connectTimeout)); err != nil {
				return
			}
			if err := establish(d.ID(), conn); err != nil {
				d.log.Debug("embedded broker closed a connection", "remote", conn.RemoteAddr(), "error", err)
			}
		}()
	}
}

// parting is a connection that closes so that a refused client hears why. The system answers what a client says to a closed
// connection, if only its own goodbye, by a reset, which may overtake the refusal.
type parting struct {
	net.Conn
	refused atomic.Bool
	once    sync.Once
	err     error
}

// refusalHeard bounds the wait for a refused client to hang up.
const refusalHeard = time.Second

// Close closes the connection once.
func (p *parting) Close() error {
	p.once.Do(func() {
		if half, ok := p.Conn.(interface{ CloseWrite() error }); ok && p.refused.Load() && half.CloseWrite() == nil {
			if p.SetReadDeadline(time.Now().Add(refusalHeard)) == nil {
				_, _ = io.CopyN(io.Discard, p.Conn, 64<<10) // what it says does not matter, nor how it ends
			}
		}
		p.err = p.Conn.Close()
	})
	return p.err
}

func (d *door) stopped() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.closed
}

func (d *door) enter(c net.Conn) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return false
	}
	d.conns[c] = make(chan struct{})
	d.served.Add(1)
	return true
}

func (d *door) leave(c net.Conn) {
	c.Close()
	d.mu.Lock()
	close(d.conns[c])
	delete(d.conns, c)
	d.mu.Unlock()
	d.served.Done()
}

// gone is closed once a connection is served to its end; nil: it is already.
func (d *door) gone(c net.Conn) <-chan struct{} {
	d.mu.Lock()
	defer d.mu.Unlock()
	if done, ok := d.conns[c]; ok {
		return done
	}
	return nil
}

// Close stops accepting, says goodbye to clients for a bounded time, and returns when every connection is served.
// The library's own goodbye is not used: it takes its read lock twice, and a client that leaves in between locks the
// broker up for good: Clients.GetByListener in v2.7.9.
func (d *door) Close(listeners.CloseFn) {
	d.mu.Lock()
	d.closed = true
	d.mu.Unlock()
	d.listener.Close()

	said := make(chan struct{})
	go func() {
		defer close(said)
		d.goodbye()
	}()
	select {
	case <-said:
	case <-time.After(goodbyeTimeout): // a client that does not read holds the goodbye up until its connection closes
	}
	d.mu.Lock()
	for c := range d.conns {
		c.Close()
	}
	d.mu.Unlock()
	<-said
	d.served.Wait()
}

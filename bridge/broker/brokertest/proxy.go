package brokertest

import (
	"net"
	"sync"
	"testing"
)

// Proxy stands between client and broker and breaks the network on request.
type Proxy struct {
	Addr string

	to       string
	listener net.Listener
	wg       sync.WaitGroup

	mu      sync.Mutex
	swallow bool
	deaf    bool
	conns   map[net.Conn]struct{}
	closed  bool
}

// NewProxy forwards to an address until the test ends.
func NewProxy(t testing.TB, to string) *Proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &Proxy{Addr: l.Addr().String(), to: to, listener: l, conns: map[net.Conn]struct{}{}}
	p.wg.Go(p.accept)
	t.Cleanup(p.close)
	return p
}

// Blackhole swallows every byte in both directions, of connections old and new, and closes none: what a network does
// that lost a route.
func (p *Proxy) Blackhole() { p.set(true, false) }

// Deafen swallows what the broker answers, while what the client sends still arrives.
func (p *Proxy) Deafen() { p.set(false, true) }

// Heal forwards again. Connections that lost bytes are cut on both sides, as a broker cuts a client that was silent.
func (p *Proxy) Heal() {
	p.set(false, false)
	p.Cut()
}

// Cut closes every connection at once.
func (p *Proxy) Cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for c := range p.conns {
		c.Close()
	}
}

func (p *Proxy) set(swallow, deaf bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.swallow, p.deaf = swallow, deaf
}

func (p *Proxy) close() {
	p.mu.Lock()
	p.closed = true
	p.mu.Unlock()
	p.listener.Close()
	p.Cut()
	p.wg.Wait()
}

func (p *Proxy) accept() {
	for {
		client, err := p.listener.Accept()
		if err != nil {
			return
		}
		broker, err := net.Dial("tcp", p.to)
		if err != nil {
			client.Close()
			continue
		}
		p.mu.Lock()
		closed := p.closed
		p.conns[client], p.conns[broker] = struct{}{}, struct{}{}
		p.mu.Unlock()
		if closed {
			client.Close()
			broker.Close()
		}
		p.wg.Go(func() { p.forward(client, broker, false) })
		p.wg.Go(func() { p.forward(broker, client, true) })
	}
}

func (p *Proxy) forward(from, to net.Conn, answers bool) {
	lost := false
	defer func() {
		from.Close()
		if !lost { // in a black hole one side does not learn of the other's end
			to.Close()
		}
		p.mu.Lock()
		delete(p.conns, from)
		p.mu.Unlock()
	}()
	b := make([]byte, 32<<10)
	for {
		n, err := from.Read(b)
		p.mu.Lock()
		lost = p.swallow || answers && p.deaf
		p.mu.Unlock()
		if n > 0 && !lost {
			if _, err := to.Write(b[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

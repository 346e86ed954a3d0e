package web

import (
	"net"
	"sync"
)

// limited bounds how many connections are open at once: a flood of them must not take the files that the journal and the
// broker need.
func limited(l net.Listener, most int) net.Listener {
	return &limitedListener{Listener: l, free: make(chan struct{}, most), done: make(chan struct{})}
}

type limitedListener struct {
	net.Listener
	free chan struct{} // holds one for each open connection
	done chan struct{}
	once sync.Once
}

func (l *limitedListener) Accept() (net.Conn, error) {
	select {
	case l.free <- struct{}{}:
	case <-l.done:
		return nil, net.ErrClosed
	}
	c, err := l.Listener.Accept()
	if err != nil {
		<-l.free
		return nil, err
	}
	return &limitedConn{Conn: c, l: l}, nil
}

func (l *limitedListener) Close() error {
	l.once.Do(func() { close(l.done) })
	return l.Listener.Close()
}

type limitedConn struct {
	net.Conn
	l    *limitedListener
	once sync.Once
}

func (c *limitedConn) Close() error {
	err := c.Conn.Close()
	c.once.Do(func() { <-c.l.free })
	return err
}

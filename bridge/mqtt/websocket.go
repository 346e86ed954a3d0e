package mqtt

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"time"

	"github.com/gorilla/websocket"
)

// upgrade turns an open connection into a WebSocket that carries MQTT (MQTT 3.1.1 §6).
func upgrade(ctx context.Context, u *url.URL, conn net.Conn) (net.Conn, error) {
	target := url.URL{Scheme: "ws", Host: u.Host, Path: u.Path, RawQuery: u.RawQuery} // encryption is below us
	if target.Path == "" {
		target.Path = "/mqtt" // common practice among brokers
	}
	dialer := websocket.Dialer{
		NetDialContext: func(context.Context, string, string) (net.Conn, error) { return conn, nil },
		Subprotocols:   []string{"mqtt"},
	}
	ws, response, err := dialer.DialContext(ctx, target.String(), nil)
	if err != nil {
		if response != nil {
			return nil, fmt.Errorf("the broker answers %s to a WebSocket on %s: %w", response.Status, target.Path, err)
		}
		return nil, err
	}
	return &webConn{Conn: conn, ws: ws}, nil
}

// webConn is a stream over the binary messages of a WebSocket. A packet may lie across messages and a message may hold
// several (MQTT 3.1.1 §6.0).
type webConn struct {
	net.Conn // addresses and the read deadline
	ws       *websocket.Conn
	rest     io.Reader // of the message at hand
}

func (c *webConn) Read(p []byte) (int, error) {
	for {
		if c.rest == nil {
			kind, r, err := c.ws.NextReader()
			if err != nil {
				return 0, err
			}
			if kind != websocket.BinaryMessage {
				return 0, errors.New("the broker sends text over the WebSocket; MQTT is binary")
			}
			c.rest = r
		}
		n, err := c.rest.Read(p)
		if errors.Is(err, io.EOF) {
			c.rest, err = nil, nil
		}
		if n > 0 || err != nil {
			return n, err
		}
	}
}

func (c *webConn) Write(p []byte) (int, error) {
	if err := c.ws.WriteMessage(websocket.BinaryMessage, p); err != nil {
		return 0, err
	}
	return len(p), nil
}

// SetWriteDeadline goes through the WebSocket, which sets its own on every write.
func (c *webConn) SetWriteDeadline(t time.Time) error { return c.ws.SetWriteDeadline(t) }

func (c *webConn) Close() error { return c.ws.Close() }

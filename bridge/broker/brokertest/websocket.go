package brokertest

import (
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"

	"github.com/gorilla/websocket"
)

// WebSocket puts a gateway before a broker that carries MQTT inside WebSockets, and gives its URL. It cuts packets into
// messages of a few bytes on purpose, which MQTT 3.1.1 §6.0 allows.
func WebSocket(t testing.TB, s *Server) *url.URL {
	t.Helper()
	upgrader := websocket.Upgrader{Subprotocols: []string{"mqtt"}}
	gateway := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		ws, err := upgrader.Upgrade(w, r, nil)
		if err != nil {
			return
		}
		defer ws.Close()
		if ws.Subprotocol() != "mqtt" {
			return
		}
		broker, err := net.Dial("tcp", s.Addr)
		if err != nil {
			return
		}
		var wg sync.WaitGroup
		wg.Go(func() { answers(ws, broker) })
		for {
			kind, m, err := ws.ReadMessage()
			if err != nil || kind != websocket.BinaryMessage {
				break
			}
			if _, err := broker.Write(m); err != nil {
				break
			}
		}
		broker.Close()
		wg.Wait()
	}))
	t.Cleanup(gateway.Close)
	u, err := url.Parse(strings.Replace(gateway.URL, "http", "ws", 1))
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// answers carries what the broker says, at first three bytes at a time.
func answers(ws *websocket.Conn, broker io.Reader) {
	defer ws.Close()
	b := make([]byte, 32<<10)
	for total := 0; ; {
		part := b
		if total < 100 {
			part = b[:3]
		}
		n, err := broker.Read(part)
		if err != nil {
			return
		}
		total += n
		if err := ws.WriteMessage(websocket.BinaryMessage, b[:n]); err != nil {
			return
		}
	}
}

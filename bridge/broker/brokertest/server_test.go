package brokertest

import (
	"net"
	"testing"

	"gillkeeper/bridge/broker/realpart"
)

// TestAddressTakenMeanwhile: what answers at the address that was free a moment ago is not the broker that was started, but another's.
func TestAddressTakenMeanwhile(t *testing.T) {
	realpart.Mosquitto(t)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			conn.Close()
		}
	}()
	s := &Server{Kind: Kind{Mosquitto: true}, t: t, dir: t.TempDir(), Addr: l.Addr().String()}
	s.Run()
	defer s.Kill()
	if s.Addr == l.Addr().String() {
		t.Error("another's broker was taken for the one that was started")
	}
}

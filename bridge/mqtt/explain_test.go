package mqtt

import (
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"syscall"
	"testing"
)

// TestHungUpHoweverItIsNoticed: a closed connection is found by the next read, or by a write that comes before it.
func TestHungUpHoweverItIsNoticed(t *testing.T) {
	from, to := &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 41000}, &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 1883}
	for _, err := range []error{
		io.EOF,
		&net.OpError{Op: "read", Net: "tcp", Source: from, Addr: to, Err: os.NewSyscallError("read", syscall.ECONNRESET)},
		&net.OpError{Op: "write", Net: "tcp", Source: from, Addr: to, Err: os.NewSyscallError("write", syscall.EPIPE)},
	} {
		if got := explain(fmt.Errorf("network Error : %w", err)); !strings.Contains(got.Error(), "another client may use this broker.client_id") {
			t.Errorf("%v is told as %q", err, got)
		}
	}
}

// TestACauseHasNoPorts: they are others at each attempt, and each would be told.
func TestACauseHasNoPorts(t *testing.T) {
	from, to := &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 41000}, &net.TCPAddr{IP: net.IPv4(10, 0, 0, 1), Port: 1883}
	err := &net.OpError{Op: "write", Net: "tcp", Source: from, Addr: to, Err: os.NewSyscallError("write", syscall.EMSGSIZE)}
	if got := cause(explain(err)); strings.Contains(got, "41000") || !strings.Contains(got, "write") {
		t.Errorf("%q", got)
	}
}

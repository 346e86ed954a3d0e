package mqtt

import (
	"fmt"
	"io"
	"os"
	"syscall"
	"testing"
	"time"
)

// TestARestartedBrokerIsNoRival: a broker that goes away and comes back five times closes five connections, as another client of the
// same id would have it do; but in between nothing listens, while a rival is let in by a broker that is there.
func TestARestartedBrokerIsNoRival(t *testing.T) {
	const most = 30 * time.Second
	refused := fmt.Errorf("dial tcp 127.0.0.1:1883: %w", os.NewSyscallError("connect", syscall.ECONNREFUSED))
	for name, c := range map[string]struct {
		between error // of an attempt between two connections; nil: none fails
		want    bool
	}{"restarted": {refused, false}, "rival": {nil, true}} {
		var r rival
		said := false
		for range 5 {
			said = r.ended(10*time.Second, fmt.Errorf("network Error : %w", io.EOF), most)
			if c.between != nil {
				r.ended(0, c.between, most)
			}
		}
		if said != c.want {
			t.Errorf("%s: taken for another client: %v", name, said)
		}
	}
}

package mqtt

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// A SUBSCRIBE packet stays well below any broker's limit on packets.
const (
	subscribeMost  = 200
	subscribeBytes = 16 << 10
	// subscribeHead is the most that a packet of that size has beside its filters, and subscribeEach what each has beside its name (§3.8).
	subscribeHead = 1 + 3 + 2
	subscribeEach = 2 + 1
)

// refusedCode is what a broker answers to a subscription that it does not grant (MQTT 3.1.1 §3.9.3).
const refusedCode = 0x80

type filter struct {
	name string
	qos  byte
}

// filters lists everything to subscribe to, sorted, each once.
func (s *Session) filters() []filter {
	var list []filter
	for _, t := range s.o.Bindings.Topics() {
		list = append(list, filter{t, s.o.Bindings.routes[t].qos})
	}
	list = append(list, s.o.Bindings.homieFilters()...)
	for _, l := range s.o.Listen {
		list = append(list, filter{l.Filter, 1})
	}
	if t := s.presence.stateTopic; t != "" {
		list = append(list, filter{t, 1})
	}
	slices.SortFunc(list, func(a, b filter) int {
		if c := strings.Compare(a.name, b.name); c != 0 {
			return c
		}
		return int(b.qos) - int(a.qos)
	})
	return slices.CompactFunc(list, func(a, b filter) bool { return a.name == b.name })
}

// only picks filters by name.
func (s *Session) only(names []string) []filter {
	return slices.DeleteFunc(s.filters(), func(f filter) bool { return !slices.Contains(names, f.name) })
}

// subscribe asks for filters and returns when the broker has answered for all, with the names of those that it
// refused. An error means that it did not answer.
func (s *Session) subscribe(ctx context.Context, l *link, list []filter) (refused []string, err error) {
	var tokens []*paho.SubscribeToken
	most := 0
	for len(list) > 0 {
		n, bytes := 0, subscribeHead
		packet := map[string]byte{}
		for n < len(list) && n < subscribeMost && bytes < subscribeBytes {
			packet[list[n].name] = list[n].qos
			bytes += len(list[n].name) + subscribeEach
			n++
		}
		list, most = list[n:], max(most, bytes)
		token, ok := l.client.SubscribeMultiple(packet, nil).(*paho.SubscribeToken)
		if !ok {
			return nil, errors.New("the client gave no token for a subscription")
		}
		tokens = append(tokens, token)
	}
	limit := time.NewTimer(s.o.Timing.Ack)
	defer limit.Stop()
	for _, token := range tokens {
		select {
		case <-token.Done():
		case <-l.down:
			return nil, explainAsking(l.cause, most)
		case <-ctx.Done():
			return nil, context.Cause(ctx)
		case <-limit.C:
			return nil, ErrUnconfirmed
		}
		if err := token.Error(); err != nil {
			select { // of a lost connection the client says why only after it has given up what was asked
			case <-l.down:
				return nil, explainAsking(l.cause, most)
			case <-time.After(discardPatience):
				return nil, err
			}
		}
		for name, code := range token.Result() {
			s.answered(name, code)
			if code == refusedCode {
				refused = append(refused, name)
			}
		}
	}
	return refused, nil
}

// answered names a refused subscription once, and that it was granted after all.
func (s *Session) answered(name string, code byte) {
	about := "subscription\x00" + name
	if code != refusedCode {
		if s.said.forget(about) {
			s.o.Log.Info("the broker grants a subscription that it had refused", "topic", name)
		}
		return
	}
	if s.said.first(about, "refused") {
		s.o.Log.Error("the broker refuses a subscription; give the user the right to read it", "topic", name, "user", s.o.Username)
	}
}

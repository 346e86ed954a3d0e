package sim

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// arrival is a message to a plug.
type arrival struct {
	at       time.Time // on the house's clock
	topic    string
	payload  string
	retained bool
}

// Patience of the devices' connection, in real time.
const (
	goodbyeTime = 250 * time.Millisecond // for a connection to end
	answerTime  = 5 * time.Second        // for the broker to answer
	retryTime   = 250 * time.Millisecond // before connecting again
)

// link is the devices' connection to the broker. Each connection has a client of its own: one that reconnects by itself
// would send what was left of the connection before, and leaves goroutines behind when it is stopped meanwhile.
type link struct {
	house  *House
	client atomic.Pointer[paho.Client] // nil while nothing can leave
	done   sync.WaitGroup
	stop   context.CancelFunc
}

// connect begins to connect, again and again until close.
func (h *House) connect() *link {
	ctx, cancel := context.WithCancel(context.Background())
	l := &link{house: h, stop: cancel}
	l.done.Go(func() {
		said := ""
		for ctx.Err() == nil {
			if err := l.connection(ctx); err != nil && ctx.Err() == nil && err.Error() != said {
				said = err.Error()
				h.log.Warn("simulated house not connected; trying again", "error", err)
			}
			select {
			case <-time.After(retryTime):
			case <-ctx.Done():
			}
		}
	})
	return l
}

// connection lives through one connection.
func (l *link) connection(ctx context.Context) error {
	lost := make(chan error, 1)
	client := paho.NewClient(l.options(lost))
	defer client.Disconnect(uint(goodbyeTime / time.Millisecond))
	if err := answer(client.Connect()); err != nil {
		return err
	}
	if err := l.house.greet(client); err != nil {
		select { // of a lost connection the client says why only after it has given up what was asked
		case why := <-lost:
			return l.closed(why)
		case <-time.After(goodbyeTime):
			return err
		}
	}
	l.client.Store(&client)
	defer l.client.Store(nil)
	l.house.announce()
	l.house.up.Do(func() { close(l.house.ready) })
	select {
	case err := <-lost:
		return l.closed(err)
	case <-ctx.Done():
		return nil
	}
}

// closed says of a lost connection what may be behind it: EOF alone tells nobody anything.
func (l *link) closed(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, syscall.ECONNRESET) || errors.Is(err, syscall.EPIPE) {
		return fmt.Errorf("the broker closed the connection; if it does so again and again, another client may use the id %q (%w)", l.house.o.ClientID, err)
	}
	return err
}

func (l *link) options(lost chan<- error) *paho.ClientOptions {
	h := l.house
	scheme := map[string]string{"mqtt": "tcp", "mqtts": "ssl", "ws": "ws", "wss": "wss"}[h.o.URL.Scheme]
	o := paho.NewClientOptions()
	o.AddBroker(scheme + "://" + h.o.URL.Host + h.o.URL.Path)
	o.SetClientID(h.o.ClientID).SetCleanSession(true).SetProtocolVersion(4).SetOrderMatters(true)
	o.SetUsername(h.o.Username).SetPassword(h.o.Password)
	if h.o.TLS != nil {
		o.SetTLSConfig(h.o.TLS)
	}
	o.SetKeepAlive(15 * time.Second).SetPingTimeout(answerTime).SetConnectTimeout(answerTime).SetWriteTimeout(answerTime)
	o.SetConnectRetry(false).SetAutoReconnect(false)
	o.SetConnectionLostHandler(func(_ paho.Client, err error) { lost <- err })
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
		h.mu.Lock()
		h.inbox = append(h.inbox, arrival{h.o.Clock.Now(), m.Topic(), string(m.Payload()), m.Retained()})
		h.mu.Unlock()
	})
	return o
}

// greet subscribes to every command and says that the sensors live.
func (h *House) greet(c paho.Client) error {
	filters := map[string]byte{}
	for _, s := range h.chambers {
		for i := range s.config.Plugs {
			filters[s.config.Plugs[i].CommandTopic] = 1
		}
	}
	if len(filters) > 0 {
		t := c.SubscribeMultiple(filters, nil)
		if err := answer(t); err != nil {
			return err
		}
		for topic, code := range t.(*paho.SubscribeToken).Result() {
			if code == 0x80 {
				return fmt.Errorf("the broker refuses the simulated plugs the topic %q", topic)
			}
		}
	}
	h.introduce(c)
	for _, s := range h.chambers {
		for _, b := range s.config.Sensors {
			if b.AliveTopic != "" {
				c.Publish(b.AliveTopic, 1, true, b.AlivePayload)
			}
		}
	}
	return nil
}

// announce lets plugs tell their state anew. That must wait until what they say can leave: said a step earlier, it is lost, and a plug
// that nobody switches has nothing more to say.
func (h *House) announce() {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, s := range h.chambers {
		s.rig.Announce()
	}
}

// answer waits for the broker's answer.
func answer(t paho.Token) error {
	if !t.WaitTimeout(2 * answerTime) {
		return fmt.Errorf("the broker did not answer within %v", 2*answerTime)
	}
	return t.Error()
}

// open reports whether messages can leave.
func (l *link) open() bool { return l.client.Load() != nil }

// publish hands a message over; it is not repeated if that fails, as a small device would not.
func (l *link) publish(m letter) {
	if c := l.client.Load(); c != nil && (*c).IsConnectionOpen() {
		(*c).Publish(m.topic, m.qos, m.retain, m.payload)
	}
}

// close ends the connection and waits for what runs.
func (l *link) close() {
	l.stop()
	l.done.Wait()
}

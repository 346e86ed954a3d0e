package mqtt

import (
	paho "github.com/eclipse/paho.mqtt.golang"

	"gillkeeper/bridge/homie"
	"gillkeeper/bridge/mqtt/topic"
	"gillkeeper/policy/chamber"
)

// nowhere is the sink and counter of those who want none.
type nowhere struct{}

func (nowhere) Reading(int, chamber.Reading)   {}
func (nowhere) Liveness(int, chamber.Liveness) {}
func (nowhere) Refusal(int, chamber.Refusal)   {}
func (nowhere) Report(int, chamber.PlugReport) {}
func (nowhere) Message(string, Result)         {}

// receive handles one message: decode, hand over, count. It runs in the client's one goroutine for incoming messages,
// so that two words of one plug cannot overtake each other, and so it must not wait for anything.
func (s *Session) receive(l *link, in paho.Message) {
	m := message{topic: in.Topic(), payload: in.Payload(), retained: in.Retained(), wall: s.o.Wall()}
	known := s.homie.take(&m, s.o.Sink, s.doubt)
	if r := s.o.Bindings.routes[m.topic]; r != nil {
		known = true
		m.unit = s.homie.units[m.topic]
		s.route(r, &m)
	}
	if m.topic == s.presence.stateTopic {
		known = true
		if !m.retained && string(m.payload) == homie.Lost {
			select {
			case l.declaredLost <- struct{}{}:
			default:
			}
		}
	}
	for i := range s.o.Listen {
		if topic.Match(s.o.Listen[i].Filter, m.topic) {
			known = true
			if len(m.payload) <= MaxPayload {
				s.o.Listen[i].Handle(m.topic, m.payload, m.retained)
			}
		}
	}
	if !known {
		s.o.Counter.Message("", UnknownTopic)
	}
}

func (s *Session) route(r *route, m *message) {
	for i := range r.targets {
		t := &r.targets[i]
		if len(m.payload) > MaxPayload {
			s.o.Counter.Message(t.name, TooLarge)
			s.refuse(t.name, m, refusal{fault: &fault{cause: "too large", detail: "above 64 KiB"}})
			continue
		}
		s.o.Counter.Message(t.name, t.deliver(m, s.o.Sink, func(f refusal) { s.refuse(t.name, m, f) }))
	}
}

// doubt names what is odd about a bound property of a Homie device, once for each cause.
func (s *Session) doubt(u *homieUse, cause, detail string) {
	if s.said.first(u.name+"\x00"+u.who+"\x00"+u.ref.Topic(), cause) {
		s.o.Log.Warn("a Homie device is not as the configuration says", "chamber", u.name, "from", u.who, "topic", u.ref.Topic(), "cause", cause, "detail", detail)
	}
}

// refuse names what was refused, once for each cause.
func (s *Session) refuse(chamber string, m *message, r refusal) {
	if s.said.first(chamber+"\x00"+r.who+"\x00"+m.topic, r.fault.cause) {
		s.o.Log.Warn("a payload is not used", "chamber", chamber, "from", r.who, "topic", m.topic,
			"cause", r.fault.cause, "detail", r.fault.detail, "payload", excerpt(m.payload))
	}
}

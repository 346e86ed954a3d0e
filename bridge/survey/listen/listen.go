// Package listen connects a survey to a broker: it hears everything the user may read, and says nothing unless a person
// asks it to try a plug.
//
// It must never announce itself, keep a session, or leave a plug otherwise than it was. Start reading at [Open].
package listen

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"sync"
	"time"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/mqtt"
	"gillkeeper/bridge/survey"
)

// How long things may take.
const (
	connectWithin = 15 * time.Second
	look          = 50 * time.Millisecond // between looks whether something happened
	answerWithin  = 8 * time.Second       // for a plug to say that it obeyed
)

// everything is the filter of all topics but the broker's own.
const everything = "#"

// Ear is a survey's connection.
type Ear struct {
	session *mqtt.Session
	survey  *survey.Survey
	patient time.Duration // with a plug that is tried
	said    *sayings
}

// sayings are what trials said. The broker sends it back like anybody's word, and it must not count as proof that a topic
// that was only guessed takes commands.
type sayings struct {
	mu   sync.Mutex
	last map[saying]time.Time
}

type saying struct{ topic, payload string }

func (s *sayings) add(topic, payload string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.last[saying{topic, payload}] = time.Now()
}

// has reports whether a message is one that was just said, come back. Where filters overlap it comes more than once.
func (s *sayings) has(topic string, payload []byte) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	at, ok := s.last[saying{topic, string(payload)}]
	return ok && time.Since(at) < answerWithin
}

// Open connects and returns when what is retained comes in, or with the reason why it cannot. No filter means everything.
func Open(ctx context.Context, b *config.Broker, s *survey.Survey, filters ...string) (*Ear, error) {
	if len(filters) == 0 {
		filters = []string{everything}
	}
	up, said := make(chan struct{}, 1), &sayings{last: map[saying]time.Time{}}
	o := mqtt.OptionsFor(b)
	o.ClientID = "survey-" + rand.Text()[:12] // nobody's, so that nobody is thrown out
	o.Bindings, o.Presence = mqtt.Bind(nil), mqtt.Presence{Off: true}
	for _, f := range filters {
		o.Listen = append(o.Listen, mqtt.Listener{Filter: f, Handle: func(topic string, payload []byte, retained bool) {
			if said.has(topic, payload) {
				return
			}
			s.Hear(survey.Message{Topic: topic, Payload: payload, Retained: retained, At: time.Now()})
		}})
	}
	o.LinkUp = func() {
		select {
		case up <- struct{}{}:
		default:
		}
	}
	session, err := mqtt.Start(o)
	if err != nil {
		return nil, err
	}
	limit, cancel := context.WithTimeout(ctx, connectWithin)
	defer cancel()
	tick := time.NewTicker(look)
	defer tick.Stop()
	for {
		select {
		case <-up:
			return &Ear{session: session, survey: s, patient: answerWithin, said: said}, nil
		case <-tick.C:
			if err = session.Status().Err; err == nil {
				continue
			}
		case <-limit.Done():
			err = errors.New("it does not answer")
			if ctx.Err() != nil {
				err = context.Cause(ctx)
			}
		}
		session.Stop()
		return nil, fmt.Errorf("the broker at %s: %w", b.URL.Redacted(), err)
	}
}

// Up reports whether the connection stands. It is made anew when it is lost.
func (e *Ear) Up() bool { return e.session.Up() }

// Close ends the connection.
func (e *Ear) Close() { e.session.Stop() }

// Try switches a plug over and back, and reports whether it said that it obeyed. Whatever happens, the last thing that it
// is told is what it was before, or off where that is not known; an error says if even that could not be sent.
func (e *Ear) Try(ctx context.Context, p *survey.Plug) (answered bool, err error) {
	before, _ := e.survey.Running(p)
	there, back := p.Command.On, p.Command.Off
	if before {
		there, back = back, there
	}
	defer func() {
		// Even when the user has had enough.
		last, cancel := context.WithTimeout(context.WithoutCancel(ctx), answerWithin)
		defer cancel()
		if e2 := e.say(last, p.Command.Topic, back); e2 != nil {
			err = fmt.Errorf("%s could not be switched back with %q: %w; do it by hand now", p.Command.Topic, back, e2)
		}
	}()
	if err := e.say(ctx, p.Command.Topic, there); err != nil {
		return false, fmt.Errorf("%s: %w", p.Command.Topic, err)
	}
	return e.wait(ctx, e.patient, func() bool { now, known := e.survey.Running(p); return known && now != before }), nil
}

// say tells a plug something.
func (e *Ear) say(ctx context.Context, topic, payload string) error {
	e.said.add(topic, payload)
	return e.session.Publish(ctx, topic, []byte(payload), false)
}

// wait looks again and again whether something came true.
func (e *Ear) wait(ctx context.Context, most time.Duration, ok func() bool) bool {
	limit := time.NewTimer(most)
	defer limit.Stop()
	tick := time.NewTicker(look)
	defer tick.Stop()
	for {
		if ok() {
			return true
		}
		select {
		case <-ctx.Done():
			return false
		case <-limit.C:
			return ok()
		case <-tick.C:
		}
	}
}

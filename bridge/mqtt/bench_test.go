package mqtt_test

import (
	"fmt"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/bridge/config"
	"gillkeeper/bridge/mqtt"
	"gillkeeper/policy/chamber"
)

// farm is a thousand chambers of five sensors.
func farm() []config.Chamber {
	list := make([]config.Chamber, 1000)
	for i := range list {
		spec := &chamber.Spec{Name: fmt.Sprintf("c%d", i)}
		for j := range 5 {
			spec.Sensors = append(spec.Sensors, chamber.Sensor{Name: fmt.Sprint(j), Quantity: chamber.RelativeHumidity})
			list[i].Sensors = append(list[i].Sensors, config.SensorBinding{Topic: fmt.Sprintf("farm/c%d/%d", i, j), Unit: config.Percent})
		}
		list[i].Spec = spec
	}
	return list
}

// arrivals is a sink that tells of each reading.
type arrivals struct{ n chan time.Time }

func (a arrivals) Reading(int, chamber.Reading)   { a.n <- time.Now() }
func (a arrivals) Liveness(int, chamber.Liveness) {}
func (a arrivals) Refusal(int, chamber.Refusal)   {}
func (a arrivals) Report(int, chamber.PlugReport) {}

// BenchmarkReading sends one reading at a time from a client to a broker and to a subscriber: a bare callback of the
// library, and a session with a thousand chambers. Both are subscribed at once and timed in turn, so that their ratio
// (the metric "x-bare") does not depend on the machine's mood.
func BenchmarkReading(b *testing.B) {
	s := brokertest.Start(b, brokertest.Kinds()[0])
	got := arrivals{make(chan time.Time, 10)}
	session, err := mqtt.Start(mqtt.Options{URL: s.URL(), ClientID: "bench", Bindings: mqtt.Bind(farm()), Sink: got})
	if err != nil {
		b.Fatal(err)
	}
	defer session.Stop()
	until(b, "the session is up", session.Up)
	bare := make(chan time.Time, 10)
	client := paho.NewClient(paho.NewClientOptions().AddBroker(s.URL().String()).SetClientID("bare").
		SetDefaultPublishHandler(func(paho.Client, paho.Message) { bare <- time.Now() }))
	sender := paho.NewClient(paho.NewClientOptions().AddBroker(s.URL().String()).SetClientID("sender"))
	for _, c := range []paho.Client{client, sender} {
		if token := c.Connect(); !token.WaitTimeout(patience) || token.Error() != nil {
			b.Fatal(token.Error())
		}
		defer c.Disconnect(100)
	}
	if token := client.Subscribe("bare/#", 0, nil); !token.WaitTimeout(patience) || token.Error() != nil {
		b.Fatal(token.Error())
	}
	var ours, theirs []time.Duration
	i := 0
	for b.Loop() {
		i++
		began := time.Now()
		sender.Publish(fmt.Sprintf("bare/c%d/%d", i%1000, i%5), 0, false, "93.4")
		theirs = append(theirs, (<-bare).Sub(began))
		began = time.Now()
		sender.Publish(fmt.Sprintf("farm/c%d/%d", i%1000, i%5), 0, false, "93.4")
		ours = append(ours, (<-got.n).Sub(began))
	}
	b.ReportMetric(us(theirs, 0.5), "bare-p50-us")
	b.ReportMetric(us(ours, 0.5), "p50-us")
	b.ReportMetric(us(theirs, 0.99), "bare-p99-us")
	b.ReportMetric(us(ours, 0.99), "p99-us")
	b.ReportMetric(us(ours, 0.5)/us(theirs, 0.5), "x-bare")
}

func us(list []time.Duration, share float64) float64 {
	slices.Sort(list)
	return float64(list[int(share*float64(len(list)-1))]) / float64(time.Microsecond)
}

// BenchmarkFlood sends readings as fast as the broker takes them and tells how many a second a session decodes and
// hands over, with a thousand chambers; no more are under way than the broker keeps for a slow client.
func BenchmarkFlood(b *testing.B) {
	s := brokertest.Start(b, brokertest.Kinds()[0])
	var n atomic.Int64
	session, err := mqtt.Start(mqtt.Options{URL: s.URL(), ClientID: "bench", Bindings: mqtt.Bind(farm()), Sink: count{&n}})
	if err != nil {
		b.Fatal(err)
	}
	defer session.Stop()
	until(b, "the session is up", session.Up)
	sender := paho.NewClient(paho.NewClientOptions().AddBroker(s.URL().String()).SetClientID("sender"))
	if token := sender.Connect(); !token.WaitTimeout(patience) || token.Error() != nil {
		b.Fatal(token.Error())
	}
	defer sender.Disconnect(100)
	topics := make([]string, 5000)
	for i := range topics {
		topics[i] = fmt.Sprintf("farm/c%d/%d", i/5, i%5)
	}
	sent := int64(0)
	for b.Loop() {
		for sent-n.Load() > 4000 {
			time.Sleep(100 * time.Microsecond)
		}
		sender.Publish(topics[sent%5000], 0, false, "93.4")
		sent++
	}
	until(b, "all arrive", func() bool { return n.Load() == sent })
	b.ReportMetric(float64(sent)/b.Elapsed().Seconds(), "readings/s")
}

type count struct{ n *atomic.Int64 }

func (c count) Reading(int, chamber.Reading)   { c.n.Add(1) }
func (c count) Liveness(int, chamber.Liveness) {}
func (c count) Refusal(int, chamber.Refusal)   {}
func (c count) Report(int, chamber.PlugReport) {}

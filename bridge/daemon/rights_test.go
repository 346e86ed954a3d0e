package daemon

import (
	"context"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/metrics"
	"gillkeeper/policy"
	"gillkeeper/policy/species"
)

// TestRightsAreEnoughAndNoMore runs the daemon on a Mosquitto that grants what Rights says: it keeps its chamber and shows
// it, and whoever has its password can publish nowhere else.
func TestRightsAreEnoughAndNoMore(t *testing.T) {
	t.Parallel()
	s := brokertest.Start(t, brokertest.Kind{Name: "mosquitto-guarded", Mosquitto: true, Guarded: true})
	c := configure(t, s, s.Addr)
	s.Limit(Rights(c).ACL(brokertest.Username))
	d, err := New(t.Context(), Options{Config: c, Build: metrics.Info{Version: "test"}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	t.Cleanup(func() { cancel(); <-done })

	var mu sync.Mutex
	heard := map[string]string{}
	devices := login(t, s, brokertest.Devices, "devices")
	devices.Subscribe("#", 1, func(_ paho.Client, m paho.Message) {
		mu.Lock()
		defer mu.Unlock()
		heard[m.Topic()] = string(m.Payload())
	}).Wait()
	last := func(topic string) string { mu.Lock(); defer mu.Unlock(); return heard[topic] }
	until(t, 20*time.Second, "the daemon is not ready", func() bool { return d.Keeper().Ready() == nil })
	if _, err := d.Keeper().Act(t.Context(), "loft", policy.Action{ID: "b", Kind: policy.BatchAdd, Batch: "b1", Species: "pleurotus-ostreatus", Stage: species.Fruiting, SubstrateKg: 12, DryKg: 4}); err != nil {
		t.Fatal(err)
	}
	until(t, 20*time.Second, "the cold chamber is not heated", func() bool {
		devices.Publish("loft/air", 0, false, `{"t":5}`)
		return last("loft/heater/set") == "ON"
	})
	until(t, 20*time.Second, "the chamber is not shown as a device", func() bool {
		return last("homie/5/gillkeeper/$state") == "ready" && strings.Contains(last("homie/5/gillkeeper-loft/$description"), "loft")
	})

	thief := login(t, s, brokertest.Username, "thief")
	for _, topic := range []string{"loft/air", "loft/heater", "cellar/heater/set", "homie/5/other/$state"} {
		thief.Publish(topic, 0, false, "stolen").WaitTimeout(time.Second) // what is kept to be sent again is written while it is sent, a race of the client's own
	}
	until(t, 20*time.Second, "a command that is allowed does not arrive", func() bool { // when it is here, the others would be
		thief.Publish("loft/heater/set", 0, false, "last")
		return last("loft/heater/set") == "last"
	})
	mu.Lock()
	defer mu.Unlock()
	for topic, payload := range heard {
		if payload == "stolen" {
			t.Errorf("the daemon's password lets publish to %s", topic)
		}
	}
}

func login(t *testing.T, s *brokertest.Server, user, id string) paho.Client {
	t.Helper()
	c := paho.NewClient(paho.NewClientOptions().AddBroker("ssl://" + s.Addr).SetClientID(id).SetTLSConfig(s.TLS()).
		SetUsername(user).SetPassword(brokertest.Password).SetConnectRetry(true).SetConnectRetryInterval(50 * time.Millisecond))
	if k := c.Connect(); !k.WaitTimeout(20*time.Second) || k.Error() != nil {
		t.Fatal(k.Error())
	}
	t.Cleanup(func() { c.Disconnect(50) })
	return c
}

package broker

import (
	"fmt"
	"log/slog"
	"strings"
	"testing"

	"github.com/mochi-mqtt/server/v2/packets"
)

// TestRetainedMessagesAreBounded: a device publishes on ever new topics. What was there before is still kept up to date, and there is
// room again once topics are cleared.
func TestRetainedMessagesAreBounded(t *testing.T) {
	var said strings.Builder
	r := newRetained(10*retainedCost, slog.New(slog.NewTextHandler(&said, nil)))
	publish := func(topic, payload string) bool {
		pk, err := r.OnPublish(nil, packets.Packet{FixedHeader: packets.FixedHeader{Retain: true}, TopicName: topic, Payload: []byte(payload)})
		if err != nil {
			t.Fatal(err)
		}
		if pk.FixedHeader.Retain { // the engine's part
			r.OnRetainMessage(nil, pk, 0)
		}
		return pk.FixedHeader.Retain
	}
	if !publish("plug", "off") {
		t.Fatal("the first message is not kept")
	}
	kept := 0
	for i := range 100 {
		if publish(fmt.Sprintf("clock/%d", i), "x") {
			kept++
		}
	}
	if kept != 8 { // with the plug's nine, each a little above a tenth of what there is
		t.Errorf("%d of 100 are kept, want 8", kept)
	}
	if !publish("plug", "on, and a little more") {
		t.Error("the plug's old state would be told for ever")
	}
	if n := strings.Count(said.String(), "level=ERROR"); n != 1 || !strings.Contains(said.String(), "clock/8") {
		t.Errorf("said %d times, want once:\n%s", n, said.String())
	}
	for i := range 8 {
		publish(fmt.Sprintf("clock/%d", i), "")
	}
	if !publish("lamp", "off") || r.size > 3*retainedCost || len(r.kept) != 2 {
		t.Errorf("after the topics were cleared %d bytes count on %d topics", r.size, len(r.kept))
	}
}

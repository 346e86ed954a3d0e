package daemon

import (
	"log/slog"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/homie"
	"gillkeeper/bridge/homie/device"
	"gillkeeper/bridge/mqtt"
	"gillkeeper/policy"
)

// Rights are what the daemon must be allowed at the broker with a configuration, and nothing more: to read its sensors
// and plugs, to command its plugs, and to show its chambers as devices.
func Rights(c *config.Config) mqtt.Rights {
	r := mqtt.Bind(c.Chambers).Rights()
	if !c.Broker.Homie.Publish {
		return r
	}
	var chambers []*policy.Snapshot
	for i := range c.Chambers {
		chambers = append(chambers, &policy.Snapshot{Spec: c.Chambers[i].Spec})
	}
	root := mqtt.RootID(c.Broker.ClientID)
	p := device.New(device.Options{Domain: c.Broker.Homie.Domain, Root: root, Settable: c.Broker.Homie.Settable,
		Snapshots: func() []*policy.Snapshot { return chambers }, Log: slog.New(slog.DiscardHandler)})
	for _, l := range p.Listeners() {
		r.Read = append(r.Read, l.Filter)
	}
	r.Read = append(r.Read, homie.Topic(c.Broker.Homie.Domain, root, "$state")) // what its will may have said
	r.Write = append(r.Write, homie.Topic(c.Broker.Homie.Domain, root, "#"))
	for _, s := range chambers {
		r.Write = append(r.Write, homie.Topic(c.Broker.Homie.Domain, root+"-"+s.Spec.Name, "#"))
	}
	return r
}

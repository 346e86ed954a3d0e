package daemon

import (
	"gillkeeper/bridge/config"
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
	shown := device.New(device.Options{Domain: c.Broker.Homie.Domain, Root: mqtt.RootID(c.Broker.ClientID), Settable: c.Broker.Homie.Settable,
		Snapshots: func() []*policy.Snapshot { return chambers }}).Rights()
	return mqtt.Rights{Read: append(r.Read, shown.Read...), Write: append(r.Write, shown.Write...)}
}

package mqtt

import (
	"fmt"
	"maps"
	"slices"
	"strings"
)

// Rights are what somebody must be allowed at the broker: filters to read by and topics, or filters of them, to write to.
type Rights struct{ Read, Write []string }

// Rights are what driving the chambers needs: their sensors and plugs to read, and the plugs' command topics, one by one,
// to write to.
func (b *Bindings) Rights() Rights {
	read, write := map[string]bool{}, map[string]bool{}
	for _, t := range b.Topics() {
		read[t] = true
	}
	for _, f := range b.homieFilters() {
		read[f.name] = true
	}
	for i := range b.chambers {
		for j := range b.chambers[i].plugs {
			write[b.chambers[i].plugs[j].CommandTopic] = true
		}
	}
	return Rights{Read: slices.Sorted(maps.Keys(read)), Write: slices.Sorted(maps.Keys(write))}
}

// ACL writes them in the form that Mosquitto's acl_file takes, for one user.
func (r Rights) ACL(user string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "user %s\n", user)
	for _, t := range r.Read {
		fmt.Fprintf(&b, "topic read %s\n", t)
	}
	for _, t := range r.Write {
		fmt.Fprintf(&b, "topic write %s\n", t)
	}
	return b.String()
}

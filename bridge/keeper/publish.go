package keeper

import (
	"context"
	"errors"
	"slices"
	"time"
)

// The bounds of sending and saving.
const (
	// sendWithin is how long one command may take to be acknowledged by the broker before it counts as not sent.
	sendWithin = 5 * time.Second
	// saveEvery is how often chambers in which something happened are saved: at most that much of events is lost.
	saveEvery = time.Second
	// saveQuiet is how often a chamber is saved in which only counters grew, by the keeper's clock: memory cards wear.
	saveQuiet = 30 * time.Second
	// lastSave bounds the save at the end.
	lastSave = 10 * time.Second
	// restWithin bounds the rest of plugs at a clean stop.
	restWithin = 3 * time.Second
)

var (
	errNoPublisher = errors.New("keeper: nothing to send by")
	errLate        = errors.New("keeper: the command waited for too long behind others")
	errOtherPlugs  = errors.New("keeper: the command is of a configuration that is gone")
)

// outlet is where commands of one configuration's chambers go out.
type outlet struct {
	to    Publisher
	index map[*unit]int
}

// Connect tells by what commands leave: chambers are indexed as in the inlet. A nil publisher takes none.
func (k *Keeper) Connect(in *Inlet, to Publisher) {
	if to == nil {
		k.outlet.Store(nil)
		return
	}
	o := &outlet{to: to, index: map[*unit]int{}}
	for i, u := range in.units {
		o.index[u] = i
	}
	k.outlet.Store(o)
}

// publish sends a command that still stands: behind a slow broker others may have kept it for longer than an acknowledgement may take,
// and a pulse of 20 s would come when it should be over.
func (k *Keeper) publish(ctx context.Context, c *command) error {
	if time.Since(c.at) > sendWithin {
		return errLate
	}
	o := k.outlet.Load()
	if o == nil {
		return errNoPublisher
	}
	i, ok := o.index[c.u]
	if !ok {
		return errNoPublisher
	}
	if c.policy != c.u.currentPolicy() {
		return errOtherPlugs
	}
	ctx, cancel := context.WithTimeout(ctx, sendWithin)
	defer cancel()
	return o.to.Send(ctx, i, c.plug, c.order)
}

// Rest turns off, at a clean stop, every plug that could do harm if nobody watched it: humidifiers, heaters and
// coolers that run. Fans and lamps stay as they are. It must be called after [Keeper.Run] has returned and while the
// connection still stands.
func (k *Keeper) Rest(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, restWithin)
	defer cancel()
	var faults []error
	k.mu.RLock()
	units := slices.Clone(k.order)
	k.mu.RUnlock()
	for _, u := range units {
		u.catchUp()
		state, stop := u.policy.Rest(u.state, k.Now())
		u.state = state
		for _, plug := range stop {
			c := command{u: u, policy: u.policy, plug: plug, at: time.Now()}
			if err := k.publish(ctx, &c); err != nil {
				faults = append(faults, err)
			}
		}
		if len(stop) > 0 {
			u.publishState()
		}
	}
	return errors.Join(append(faults, k.saveAll(ctx, true))...)
}

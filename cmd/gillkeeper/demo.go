package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"os"
	"os/signal"
	"strconv"
	"sync"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/daemon"
	"gillkeeper/bridge/sim"
	"gillkeeper/policy"
	"gillkeeper/policy/rehearse"
)

type demoFlags struct {
	pace   float64
	length time.Duration
	seed   uint64
	listen string
	asJSON bool
}

func newDemoCommand(a *app) *cobra.Command {
	var f demoFlags
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Watch the whole system at work, with nothing else installed",
		Long: "Runs a broker, three simulated chambers that speak MQTT to it, and the daemon that controls them, with page, API and\n" +
			"metrics. One reservoir is small: watch it run dry, be noticed, and be filled again three hours later. In a terminal\n" +
			"the day passes as a moving picture; anywhere else as lines. At the end you get the figures next to those of common\n" +
			"practice in the same chambers, weather and seed. Nothing is left behind.",
		Example: "  gillkeeper demo\n  gillkeeper demo --for 24h --json",
		Args:    arguments(),
		RunE:    func(cmd *cobra.Command, args []string) error { return a.demo(cmd, &f) },
	}
	s := cmd.Flags()
	s.Float64Var(&f.pace, "pace", 600, "simulated seconds per real second, `N`")
	s.DurationVar(&f.length, "for", 0, "simulated `TIME` after which to stop and print the figures, such as 24h (default: until stopped)")
	s.Uint64Var(&f.seed, "seed", 1, "the `SEED` for chambers, weather and sensors; the same seed gives the same ones")
	s.StringVar(&f.listen, "listen", "", "`HOST:PORT` of page, API and metrics (default: the first free from 127.0.0.1:9420 on)")
	s.BoolVar(&f.asJSON, "json", false, "print nothing but the figures, as JSON, at the end")
	return cmd
}

func (a *app) demo(cmd *cobra.Command, f *demoFlags) error {
	if err := goodPace(f.pace); err != nil {
		return err
	}
	if f.length < 0 || cmd.Flags().Changed("for") && f.length < time.Minute {
		return fmt.Errorf("--for %v: give a minute or more, such as 24h", f.length)
	}
	// The terminal's window was closed, or a pager: the end, with nothing left behind.
	ctx, release := signal.NotifyContext(cmd.Context(), syscall.SIGHUP, syscall.SIGPIPE)
	defer release()
	folder, err := demoFolder()
	if err != nil {
		return err
	}
	defer os.RemoveAll(folder)
	listen := f.listen
	if listen == "" {
		listen = freeAddress(9420)
	}
	d, err := a.newDemo(ctx, f, folder, listen)
	if errors.Is(err, syscall.EADDRINUSE) { // nobody has seen a configuration with its keys
		return fmt.Errorf("cannot serve page and API on %s: something listens there already; name another with --listen", listen)
	}
	if err != nil {
		return err
	}
	if err := d.run(ctx); err != nil {
		return err
	}
	if f.asJSON {
		return a.printJSON(d.answer())
	}
	d.summary()
	return nil
}

// demoFolder makes a folder for the journal: in memory where Linux offers that, because on a clock that runs 600 times
// faster a disk's pause of 10 ms is six seconds.
func demoFolder() (string, error) {
	const pattern = "gillkeeper-demo-"
	if folder, err := os.MkdirTemp("/dev/shm", pattern); err == nil {
		return folder, nil
	}
	folder, err := os.MkdirTemp("", pattern)
	if err != nil {
		return "", fmt.Errorf("no folder for the journal: %w", err)
	}
	return folder, nil
}

// freeAddress is the first loopback address from that port on which nobody listens.
func freeAddress(port int) string {
	for p := port; p < port+50; p++ {
		address := net.JoinHostPort("127.0.0.1", strconv.Itoa(p))
		l, err := net.Listen("tcp", address)
		if err == nil {
			l.Close()
			return address
		}
		if !errors.Is(err, syscall.EADDRINUSE) {
			break
		}
	}
	return "127.0.0.1:0"
}

// demonstration is the demo as it runs. It belongs to one goroutine.
type demonstration struct {
	*app
	f        *demoFlags
	config   *config.Config
	daemon   *daemon.Daemon
	house    *sim.House
	start    time.Time // on the daemon's clock
	elapsed  time.Duration
	chambers []*demoChamber
	view     demoView
	events   eventLog
	governor *governor
	slow     int // looks in a row at which the machine could not keep the pace asked for
	warned   bool
}

// demoView shows how the demonstration goes.
type demoView interface {
	begin()
	show() // called a few times a second
	say(e said)
	end()
}

// newDemo sets everything up; what runs already is the daemon's listener and broker.
func (a *app) newDemo(ctx context.Context, f *demoFlags, folder, listen string) (*demonstration, error) {
	c, err := readDemoConfig(folder, listen, time.Now())
	if err != nil {
		return nil, err
	}
	d := &demonstration{app: a, f: f, config: c}
	d.daemon, err = daemon.New(ctx, daemon.Options{Config: c, Pace: f.pace, Build: buildInfo(), Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		return nil, err
	}
	if err = d.setUp(); err != nil {
		stopped, cancel := context.WithCancel(ctx)
		cancel()
		return nil, errors.Join(err, d.daemon.Run(stopped)) // gives back what the daemon holds
	}
	return d, nil
}

func (d *demonstration) setUp() error {
	settle := time.Hour
	if d.f.length > 0 {
		settle = min(settle, d.f.length/4)
	}
	d.start = d.daemon.Clock().Now()
	broker, err := url.Parse(d.daemon.Broker())
	if err != nil {
		return err
	}
	o := sim.Options{URL: broker, Clock: d.daemon.Clock()}
	for i := range d.config.Chambers {
		k, batches, err := demoCase(d.config, i, d.f.seed, d.start, settle)
		if err != nil {
			return err
		}
		c, err := newDemoChamber(i, k, batches)
		if err != nil {
			return err
		}
		forgive(k, d.f.pace)
		d.chambers = append(d.chambers, c)
		o.Chambers = append(o.Chambers, sim.Chamber{Config: d.config.Chambers[i], Case: k})
	}
	if d.house, err = sim.New(o); err != nil {
		return err
	}
	for i, c := range d.chambers {
		if liters := demoWater[c.name]; liters > 0 {
			d.house.Drain(i, liters*1000)
			c.practice.Rig().State.ReservoirG = liters * 1000
		}
	}
	d.governor = newGovernor(d.daemon.Clock(), d.f.pace, d.house.Behind)
	d.view = d.newView()
	return nil
}

// forgive allows for a clock that runs fast: what a command takes on its way is seconds on it already, so that relays
// need add no delay of their own, and their minimum times are shorter by as much, lest a machine's hiccup counts as the
// controller's mistake.
func forgive(k *rehearse.Case, pace float64) {
	for i := range k.Outlets {
		o := &k.Outlets[i]
		slack := pace * 0.020 // seconds on the clock for 20 ms of the machine's
		o.DelayS = max(0, o.DelayS-slack)
		o.MinOnS, o.MinOffS = max(0, o.MinOnS-slack), max(0, o.MinOffS-slack)
	}
}

// run lets the time pass until it is over or ctx ends, either of which is a good end.
func (d *demonstration) run(ctx context.Context) error {
	var wg sync.WaitGroup
	defer wg.Wait()
	world, endWorld := context.WithCancel(context.WithoutCancel(ctx))
	defer endWorld()
	keeping, stopKeeping := context.WithCancel(world)
	kept := make(chan error, 1)
	wg.Go(func() { _ = d.house.Run(world) })
	wg.Go(func() { kept <- d.daemon.Run(keeping) })
	wg.Go(func() { d.governor.run(world, d.daemon.Broker()) })

	d.view.begin()
	err := d.await(ctx)
	if err == nil {
		err = d.pass(ctx, kept)
	}
	if ctx.Err() != nil {
		err = nil
	}
	d.view.end()
	stopKeeping() // first, so that the plugs still hear that they are to rest
	select {
	case stopped := <-kept:
		return errors.Join(err, stopped)
	case <-time.After(15 * time.Second):
		return errors.Join(err, errors.New("the daemon did not stop in time"))
	}
}

// await waits until chambers and daemon speak with each other, then puts the batches in.
func (d *demonstration) await(ctx context.Context) error {
	deadline := time.After(20 * time.Second)
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for d.daemon.Keeper().Ready() != nil || !closed(d.house.Ready()) {
		select {
		case <-tick.C:
		case <-ctx.Done():
			return ctx.Err()
		case <-deadline:
			return fmt.Errorf("chambers and daemon did not find each other within 20 s: %v", d.daemon.Keeper().Ready())
		}
	}
	for _, c := range d.chambers {
		for _, b := range append(c.batches, policy.Action{Kind: policy.Refilled, Liters: demoWater[c.name]}) {
			if err := d.act(ctx, c, b); err != nil {
				return err
			}
		}
	}
	return nil
}

func closed(c <-chan struct{}) bool {
	select {
	case <-c:
		return true
	default:
		return false
	}
}

// act does what a grower does, at the daemon's door.
func (d *demonstration) act(ctx context.Context, c *demoChamber, a policy.Action) error {
	c.acts++
	if a.ID == "" {
		a.ID = fmt.Sprintf("demo-%s-%d", c.name, c.acts)
	}
	a.At, a.By = d.daemon.Clock().Wall(), "demonstration"
	_, err := d.daemon.Keeper().Act(ctx, c.name, a)
	return err
}

// frame is the time between two looks.
const frame = 125 * time.Millisecond

// pass lets the time pass.
func (d *demonstration) pass(ctx context.Context, kept chan error) error {
	tick := time.NewTicker(frame)
	defer tick.Stop()
	for n := 0; d.f.length == 0 || d.elapsed < d.f.length; n++ {
		select {
		case <-tick.C:
		case <-ctx.Done():
			return nil
		case err := <-kept:
			kept <- nil
			return errors.Join(errors.New("the daemon stopped"), err)
		}
		if err := d.look(ctx); err != nil {
			return err
		}
		if n%4 == 0 {
			d.hearEvents(ctx)
		}
		d.view.show()
	}
	d.hearEvents(ctx)
	d.view.show()
	return nil
}

// look takes in where everything stands, and lets the grower and common practice do their part.
func (d *demonstration) look(ctx context.Context) error {
	for i, c := range d.chambers {
		c.now = d.house.Look(i)
		c.snap, _ = d.daemon.Keeper().Snapshot(c.name)
		c.sample()
		c.practiceTo(c.now.Elapsed)
		if c.grower.comes(c.now.Elapsed, c.now.ReservoirG) {
			d.house.Refill(i)
			if err := d.act(ctx, c, policy.Action{Kind: policy.Refilled}); err != nil && ctx.Err() == nil {
				return err
			}
		}
	}
	d.elapsed = d.chambers[0].now.Elapsed
	d.watchPace()
	return nil
}

// watchPace says it once where the machine keeps much less than the pace asked for.
func (d *demonstration) watchPace() {
	now := d.governor.now()
	if d.slow++; now > 0.6*d.f.pace {
		d.slow = 0
	}
	if d.slow >= 24 && !d.warned {
		d.warned = true
		d.view.say(said{at: d.elapsed, bad: true, text: fmt.Sprintf("this machine keeps a pace of %.0f at present, not %g: it will take longer", now, d.f.pace)})
	}
}

// paceWords is the pace asked for, or what the machine keeps of it.
func (d *demonstration) paceWords() string {
	if now := d.governor.now(); now < 0.95*d.f.pace {
		return fmt.Sprintf("%.0f of %g", now, d.f.pace)
	}
	return fmt.Sprintf("%g", d.f.pace)
}

func (d *demonstration) answer() figuresAnswer {
	x := figuresAnswer{Seed: d.f.seed, Pace: d.f.pace, SimulatedHours: d.elapsed.Hours()}
	for i, c := range d.chambers {
		x.Chambers = append(x.Chambers, rehearse.Result{Chamber: c.name, Controller: rulesWords, Figures: d.house.Figures(i),
			CommonPractice: new(c.practice.Figures())})
	}
	return x
}

func (d *demonstration) summary() {
	x := d.answer()
	fmt.Fprintf(d.stdout, "\n%s of seed %d, by the true air, the first %s left out:\n\n", hoursWords(d.elapsed), d.f.seed, hoursWords(d.chambers[0].settle))
	d.printFigures(x.Chambers)
	fmt.Fprintln(d.stdout, "\nCommon practice: a humidistat with a differential of 5 points, a fan on a careful grower's repeat-cycle timer.")
	for _, c := range d.chambers {
		if c.changed() {
			fmt.Fprintf(d.stdout, "%s is judged by what it wanted at the beginning, though what grows there has changed.\n", c.name)
		}
	}
}

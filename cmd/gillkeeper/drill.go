package main

import (
	"context"
	"crypto/rand"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/clock"
	"gillkeeper/bridge/config"
	"gillkeeper/bridge/sim"
	"gillkeeper/bridge/words"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/nearest"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/rehearse"
)

type drillFlags struct {
	config string
	seed   uint64
	pace   float64
	length time.Duration
	faults []string
	level  string
	asJSON bool
	crop   cropFlags
}

func newDrillCommand(a *app) *cobra.Command {
	var f drillFlags
	cmd := &cobra.Command{
		Use:   "drill --config FILE",
		Short: "Play simulated sensors and plugs on a real broker, for drills",
		Long: "Stands in for the sensors and plugs of a configuration, on its broker and topics, with a simulated chamber behind\n" +
			"each. Run gillkeeper run --config FILE --pace N in another window, with the same --pace, to control them. Stop the\n" +
			"real devices first: this speaks in their name. A fault is CHAMBER,KIND and then, where needed, the name of the sensor\n" +
			"or plug, after=TIME, for=TIME and amount=NUMBER. Kinds:\n" + wrappedKinds() + ".",
		Example: "  gillkeeper drill --config farm.toml --pace 60\n" +
			"  gillkeeper drill --config farm.toml --fault loft,sensor_silent,air-upper,after=30m,for=1h\n" +
			"  gillkeeper drill --config farm.toml --fault loft,messages_lost,amount=0.2",
		Args: arguments(),
		RunE: func(cmd *cobra.Command, args []string) error { return a.drill(cmd, &f) },
	}
	s := cmd.Flags()
	s.StringVar(&f.config, "config", "", "the configuration `FILE`")
	s.Uint64Var(&f.seed, "seed", 1, "the `SEED` for chambers, weather and sensors; the same seed gives the same ones")
	s.Float64Var(&f.pace, "pace", 1, "simulated seconds per real second, `N`; give run the same")
	s.DurationVar(&f.length, "for", 0, "simulated `TIME` after which to stop (default: until stopped)")
	s.StringArrayVar(&f.faults, "fault", nil, "let something go wrong: `FAULT`; may be given several times")
	s.StringVar(&f.level, "log", "warn", "how much to log: debug, info, warn or error")
	s.BoolVar(&f.asJSON, "json", false, "print nothing but the figures, as JSON, at the end")
	f.crop.define(cmd)
	completeFlag(cmd, "log", fixed(logLevels...))
	return cmd
}

func kindWords() []string {
	var list []string
	for _, k := range plant.FaultKinds() {
		list = append(list, string(k))
	}
	return list
}

func wrappedKinds() string { return strings.Join(wrap(strings.Join(kindWords(), ", "), 100), "\n") }

func (a *app) drill(cmd *cobra.Command, f *drillFlags) error {
	if err := needFlags(cmd, "config"); err != nil {
		return err
	}
	if err := goodPace(f.pace); err != nil {
		return err
	}
	if f.length < 0 {
		return fmt.Errorf("--for %v: give a time such as 24h", f.length)
	}
	if err := f.crop.check(cmd.CommandPath()); err != nil {
		return err
	}
	log, err := a.logger(f.level)
	if err != nil {
		return err
	}
	c, err := a.loadConfig(f.config)
	if err != nil {
		return err
	}
	house, err := f.house(c, log)
	if err != nil {
		return err
	}
	return a.runDrill(cmd.Context(), f, c, house)
}

// house makes the simulated chambers with their faults, and looks whether the broker answers at all.
func (f *drillFlags) house(c *config.Config, log *slog.Logger) (*sim.House, error) {
	o := sim.Options{URL: c.Broker.URL, TLS: c.Broker.TLS(), Username: c.Broker.Username, Password: c.Broker.Password.Reveal(),
		ClientID: c.Broker.ClientID + "-drill-" + rand.Text()[:6], // two drills on one broker would throw each other out
		Clock:    clock.Pace(f.pace), Log: log}
	for i := range c.Chambers {
		k, err := f.crop.simulated(&policy.Policy{Spec: c.Chambers[i].Spec, Climates: c.Table}, f.seed+uint64(i))
		if err != nil {
			return nil, err
		}
		k.Settle = 0
		o.Chambers = append(o.Chambers, sim.Chamber{Config: c.Chambers[i], Case: k})
		forgive(k, f.pace)
	}
	for _, text := range f.faults {
		if err := addFault(o.Chambers, text); err != nil {
			return nil, err
		}
	}
	if c.Broker.Embedded {
		o.URL = &url.URL{Scheme: "mqtt", Host: c.Broker.Listen}
	}
	conn, err := net.DialTimeout("tcp", o.URL.Host, 5*time.Second)
	if err != nil {
		what := "the broker at " + o.URL.Redacted()
		hint := "see that it runs and that the address is right"
		if c.Broker.Embedded {
			what, hint = "the embedded broker at "+c.Broker.Listen, fmt.Sprintf("it runs inside the daemon: start gillkeeper run --config %s first", c.Path)
		}
		return nil, fmt.Errorf("%s does not answer: %w; %s", what, err, hint)
	}
	conn.Close()
	return sim.New(o)
}

// addFault reads a fault and gives it to its chamber.
func addFault(chambers []sim.Chamber, text string) error {
	parts := strings.Split(text, ",")
	if len(parts) < 2 {
		return usagef("--fault %s: write CHAMBER,KIND, such as loft,reservoir_dry", text)
	}
	var names []string
	for i := range chambers {
		names = append(names, chambers[i].Config.Spec.Name)
	}
	which := slices.Index(names, parts[0])
	if which < 0 {
		return fmt.Errorf("--fault %s: %w", text, oneOf("chamber of the configuration", parts[0], names))
	}
	if err := oneOf("kind of fault", parts[1], kindWords()); err != nil {
		return fmt.Errorf("--fault %s: %w", text, err)
	}
	c := &chambers[which]
	x := plant.Fault{Kind: plant.FaultKind(parts[1]), Index: -1}
	for _, part := range parts[2:] {
		if err := faultPart(&x, c.Config.Spec, part); err != nil {
			return fmt.Errorf("--fault %s: %w", text, err)
		}
	}
	if of := faultOf(x.Kind); x.Index < 0 && of != "" {
		return usagef("--fault %s: add the name of the %s", text, of)
	}
	if err := x.CheckAmount(); err != nil {
		return fmt.Errorf("--fault %s: %w", text, err)
	}
	x.Index = max(0, x.Index)
	c.Case.Faults = append(c.Case.Faults, x)
	return nil
}

// faultOf says what a kind of fault is of: a sensor, a plug, or neither.
func faultOf(k plant.FaultKind) string {
	switch k {
	case plant.SensorSilent, plant.SensorStuck, plant.SensorSaturated, plant.SensorDrift, plant.SensorJump, plant.SensorBaseline:
		return "sensor"
	case plant.PlugWelded, plant.PlugDead, plant.PlugDisobeys, plant.LoadDead:
		return "plug"
	}
	return ""
}

// faultPart reads one part of a fault after its kind.
func faultPart(x *plant.Fault, spec *chamber.Spec, part string) error {
	key, value, isPair := strings.Cut(part, "=")
	if !isPair {
		var names []string
		switch faultOf(x.Kind) {
		case "sensor":
			for i := range spec.Sensors {
				names = append(names, spec.Sensors[i].Name)
			}
		case "plug":
			for i := range spec.Plugs {
				names = append(names, spec.Plugs[i].Name)
			}
		default:
			return fmt.Errorf("%s is of the whole chamber; leave %q out", x.Kind, part)
		}
		x.Index = slices.Index(names, part)
		return oneOf(faultOf(x.Kind)+" of chamber "+spec.Name, part, names)
	}
	switch key {
	case "after", "for":
		d, err := time.ParseDuration(value)
		if err != nil || d < 0 {
			return fmt.Errorf("%s=%s is not a time; write it as in 30m", key, value)
		}
		if key == "after" {
			x.From = d.Seconds()
		} else {
			x.For = d.Seconds()
		}
	case "amount":
		v, err := strconv.ParseFloat(value, 64)
		if err != nil {
			return fmt.Errorf("amount=%s is not a number; write it as in 0.2", value)
		}
		x.Amount = v
	default:
		hint := ""
		if n := nearest.Word(key, []string{"after", "for", "amount"}); n != "" {
			hint = fmt.Sprintf("; did you mean %q", n)
		}
		return fmt.Errorf("%q is none of after, for, amount%s", key, hint)
	}
	return nil
}

// runDrill runs the house until its time is over or ctx ends, and says each simulated hour how the chambers are.
func (a *app) runDrill(ctx context.Context, f *drillFlags, c *config.Config, house *sim.House) error {
	world, end := context.WithCancel(ctx)
	done := make(chan error, 1)
	go func() { done <- house.Run(world) }()
	if !f.asJSON {
		fmt.Fprintf(a.stdout, "Simulated devices of %s speak, %g simulated seconds in a real one. Reservoirs are filled up every 24 h:\n"+
			"record it with gillkeeper refill. Ctrl-C ends.\n", count(len(c.Chambers), "chamber"), f.pace)
	}
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for hour := 0; ctx.Err() == nil; {
		select {
		case <-tick.C:
		case <-ctx.Done():
		}
		elapsed := house.Look(0).Elapsed
		if f.length > 0 && elapsed >= f.length {
			break
		}
		if now := int(elapsed / time.Hour); now > hour && !f.asJSON {
			hour = now
			a.drillLines(c, house, hour)
		}
	}
	answer := figuresAnswer{Seed: f.seed, Pace: f.pace, SimulatedHours: house.Look(0).Elapsed.Hours()}
	for i := range c.Chambers {
		answer.Chambers = append(answer.Chambers, rehearse.Result{Chamber: c.Chambers[i].Spec.Name, Controller: "the daemon", Figures: house.Figures(i)})
	}
	end()
	if err := <-done; err != nil {
		return err
	}
	if f.asJSON {
		return a.printJSON(answer)
	}
	a.drillSummary(c, house, &answer)
	return nil
}

func (a *app) drillLines(c *config.Config, house *sim.House, hour int) {
	for i := range c.Chambers {
		l := house.Look(i)
		fmt.Fprintln(a.stdout, drillLine(words.Words{Fahrenheit: c.Site.Fahrenheit}, hour, c.Chambers[i].Spec, &l))
	}
}

func drillLine(w words.Words, hour int, spec *chamber.Spec, l *sim.Look) string {
	var on []string
	for j, yes := range l.On {
		if yes {
			on = append(on, spec.Plugs[j].Name)
		}
	}
	plugs := "all plugs off"
	if on != nil {
		plugs = strings.Join(on, ", ") + " on"
	}
	return fmt.Sprintf("%4d h  %s: humidity %.1f %%, CO2 %.0f ppm, %s, %s, %.2f L left", hour, spec.Name,
		100*l.Air.RelativeHumidity, l.Air.CO2PPM, w.Value(chamber.Temperature, l.Air.AirC), plugs, l.ReservoirG/1000)
}

func (a *app) drillSummary(c *config.Config, house *sim.House, answer *figuresAnswer) {
	early := 0
	for i := range c.Chambers {
		early += len(house.Violations(i))
	}
	length := time.Duration(answer.SimulatedHours * float64(time.Hour))
	if length >= 6*time.Minute {
		length = length.Round(6 * time.Minute)
	}
	fmt.Fprintf(a.stdout, "\n%s, by the true air; %d commands arrived, %d came before a plug's minimum time was over.\n\n",
		hoursWords(length), len(house.Commands()), early)
	a.printFigures(answer.Chambers)
}

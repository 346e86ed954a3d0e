package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os/signal"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/web/client"
	"gillkeeper/bridge/words"
	"gillkeeper/policy"
	"gillkeeper/policy/air"
	"gillkeeper/policy/air/salt"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/nearest"
)

const calibrateLong = `Calibrates a humidity sensor with one or two saturated salts, or a CO2 sensor in fresh air.

Stir the salt with a little water, so little that some salt stays undissolved. Close the jar over it with the sensor
inside, above the slurry and not in it, and keep it where the temperature is steady. The reading is watched until it has
settled. Then you see the correction, and it is used from then on if you say so. Meanwhile the sensor is set aside: the
chamber is controlled by its other sensors, or, if there are none, by what was learned about it.

One salt gives an offset, two give slope and offset: nacl and k2so4 (or kcl) bracket what fruiting needs.`

// calibrate is one calibration as the command line asks for it.
type calibrate struct {
	*app
	chamber, sensor string
	salts           []string
	freshAir        bool
	ppm             float64
	temperature     float64
	hasTemperature  bool
	beside          string
	every, timeout  time.Duration
	yes, asJSON     bool
	clear, show     bool

	client *client.Client
	words  words.Words
	began  time.Time // by the daemon's calendar
	in     *bufio.Reader
	out    io.Writer // what people read
}

func newCalibrateCommand(a *app) *cobra.Command {
	c := &calibrate{app: a}
	cmd := &cobra.Command{
		Use:   "calibrate CHAMBER SENSOR --salt SALT[,SALT]",
		Short: "Calibrate a humidity sensor with saturated salts, or a CO2 sensor in fresh air",
		Long:  calibrateLong,
		Example: "  gillkeeper calibrate loft air-upper --salt nacl\n  gillkeeper calibrate loft air-upper --salt nacl,k2so4 --beside air-upper-t\n" +
			"  gillkeeper calibrate loft co2 --fresh-air\n  gillkeeper calibrate loft air-upper --show",
		Args:              arguments("CHAMBER", "SENSOR"),
		ValidArgsFunction: completion(a.chamberNames, a.sensorNames),
		RunE: func(cmd *cobra.Command, args []string) error {
			c.chamber, c.sensor = args[0], args[1]
			c.hasTemperature = cmd.Flags().Changed("temperature")
			if err := c.check(cmd); err != nil {
				return err
			}
			return c.run(cmd.Context())
		},
	}
	f := cmd.Flags()
	f.StringSliceVar(&c.salts, "salt", nil, "the `SALT`, or two with a comma: nacl, kcl, k2so4, mgcl2, licl, kno3")
	f.BoolVar(&c.freshAir, "fresh-air", false, "calibrate a CO2 sensor outdoors or at an open window")
	f.Float64Var(&c.ppm, "ppm", air.OutdoorCO2, "CO2 in the fresh air, in ppm")
	f.StringVar(&c.beside, "beside", "", "the temperature `SENSOR` beside the salt (default: the one at the sensor's place)")
	f.Float64Var(&c.temperature, "temperature", 0, "the temperature beside the salt in °C, if no sensor measures it")
	f.DurationVar(&c.every, "every", 10*time.Second, "how often to look")
	f.DurationVar(&c.timeout, "timeout", 4*time.Hour, "how long to wait for each reading to settle")
	f.BoolVar(&c.yes, "yes", false, "ask nothing and use the correction")
	f.BoolVar(&c.clear, "clear", false, "drop the correction and use the sensor's own reading")
	f.BoolVar(&c.show, "show", false, "show the correction in use and those before it")
	f.BoolVar(&c.asJSON, "json", false, "print JSON")
	completeFlag(cmd, "salt", fixed(saltNames()...))
	return a.asks(cmd)
}

func saltNames() []string {
	var names []string
	for _, s := range salt.Salts() {
		names = append(names, s.String())
	}
	return names
}

// sensorNames lists the sensors of the chamber named by the first argument.
func (a *app) sensorNames(ctx context.Context, args []string) []string {
	c, err := a.client()
	if err != nil {
		return nil
	}
	got, err := c.Sensors(ctx, args[0])
	if err != nil {
		return nil
	}
	var names []string
	for i := range got.Sensors {
		names = append(names, got.Sensors[i].Name)
	}
	return names
}

// check finds what is wrong with the command line before anybody waits for an hour.
func (c *calibrate) check(cmd *cobra.Command) error {
	asked := 0
	for _, x := range []bool{len(c.salts) > 0, c.freshAir, c.clear, c.show} {
		if x {
			asked++
		}
	}
	if asked != 1 {
		return usagef("%s needs one of --salt, --fresh-air, --clear, --show; see %s --help", cmd.CommandPath(), cmd.CommandPath())
	}
	for _, s := range c.salts {
		if err := oneOf("salt", s, saltNames()); err != nil {
			return err
		}
	}
	for _, x := range []struct {
		flag, why string
		fits      bool
	}{
		{"ppm", "it is what fresh air holds, for --fresh-air", c.freshAir},
		{"beside", "it is for --salt", len(c.salts) > 0},
		{"temperature", "it is the salt's, for --salt", len(c.salts) > 0},
		{"every", "nothing is measured", !c.clear && !c.show},
		{"timeout", "nothing is measured", !c.clear && !c.show},
		{"yes", "nothing is asked", !c.show},
	} {
		if cmd.Flags().Changed(x.flag) && !x.fits {
			return usagef("%s: --%s has no place here: %s; see %s --help", cmd.CommandPath(), x.flag, x.why, cmd.CommandPath())
		}
	}
	switch {
	case len(c.salts) > 2 || len(c.salts) == 2 && c.salts[0] == c.salts[1]:
		return errors.New("--salt takes one salt, or two different ones such as nacl,k2so4")
	case c.hasTemperature && c.beside != "":
		return errors.New("--temperature and --beside both tell the temperature; give one of them")
	case c.hasTemperature && !(c.temperature >= float64(salt.MinTemperature) && c.temperature <= float64(salt.MaxTemperature)):
		hint := ""
		if k := (c.temperature - 32) / 1.8; k >= float64(salt.MinTemperature) && k <= float64(salt.MaxTemperature) {
			hint = fmt.Sprintf("; if those are °F, write --temperature %.1f", k)
		}
		return fmt.Errorf("--temperature %v: salts are known from %.0f to %.0f °C%s", c.temperature, salt.MinTemperature, salt.MaxTemperature, hint)
	case !(c.ppm >= 380 && c.ppm <= 700):
		return fmt.Errorf("--ppm %v is not fresh air; give 380 to 700", c.ppm)
	case c.every < time.Second || c.every > time.Minute:
		return fmt.Errorf("--every %s: give a time from 1s to 1m", c.every)
	case c.timeout < 20*time.Minute || c.timeout > policy.LongestAside-time.Hour:
		return fmt.Errorf("--timeout %s: give a time from 20m to %gh", c.timeout, (policy.LongestAside - time.Hour).Hours())
	}
	return nil
}

func (c *calibrate) run(ctx context.Context) error {
	var err error
	if c.client, err = c.app.client(); err != nil {
		return err
	}
	site, err := c.client.Site(ctx)
	if err != nil {
		return err
	}
	c.words, c.began, c.in, c.out = siteWords(site), site.Now, bufio.NewReader(c.stdin), c.stdout
	if c.asJSON {
		c.out = c.stderr
	}
	sensors, x, err := c.look(ctx)
	if err != nil {
		return err
	}
	switch {
	case c.show:
		return c.printShow(&sensors, x)
	case c.clear:
		return c.runClear(ctx)
	}
	want := chamber.RelativeHumidity
	if c.freshAir {
		want = chamber.CO2
	}
	if x.Quantity != want.String() {
		return fmt.Errorf("sensor %s measures %s; salts are for relative_humidity, fresh air is for co2", x.Name, x.Quantity)
	}
	if _, err := c.temperatureOf(&sensors, x); err != nil {
		return err // before anybody fills a jar
	}
	return c.runMeasure(ctx, x)
}

// look asks for the chamber's sensors and finds the one that is meant.
func (c *calibrate) look(ctx context.Context) (api.Sensors, *api.Sensor, error) {
	all, err := c.client.Sensors(ctx, c.chamber)
	if err != nil {
		return all, nil, err
	}
	x, err := findSensor(&all, c.sensor)
	return all, x, err
}

func findSensor(all *api.Sensors, name string) (*api.Sensor, error) {
	i := slices.IndexFunc(all.Sensors, func(s api.Sensor) bool { return s.Name == name })
	if i >= 0 {
		return &all.Sensors[i], nil
	}
	var names []string
	for j := range all.Sensors {
		names = append(names, all.Sensors[j].Name)
	}
	hint := "; there is " + strings.Join(names, ", ")
	if n := nearest.Word(name, names); n != "" {
		hint = fmt.Sprintf("; did you mean %q", n)
	}
	return nil, fmt.Errorf("chamber %s has no sensor %q%s", all.Chamber, name, hint)
}

func (c *calibrate) runClear(ctx context.Context) error {
	if err := c.confirm(ctx, fmt.Sprintf("Leave sensor %s of %s without a correction?", c.sensor, c.chamber)); err != nil {
		return err
	}
	if _, err := c.client.ClearCalibration(ctx, c.chamber, c.sensor); err != nil {
		return err
	}
	all, x, err := c.look(ctx)
	if err != nil {
		return err
	}
	fmt.Fprintf(c.out, "Sensor %s of %s is used as it is made.\n", c.sensor, c.chamber)
	if c.asJSON {
		return c.printSensorJSON(&all, x)
	}
	return nil
}

// runMeasure takes the readings, shows what follows from them, and has it used. However it ends, the sensor does not stay
// aside for longer than it must.
func (c *calibrate) runMeasure(ctx context.Context, x *api.Sensor) (err error) {
	// A terminal that is closed, or a reader that goes away, ends it as Ctrl-C does: the sensor must not hang aside for hours.
	ctx, release := signal.NotifyContext(ctx, syscall.SIGHUP, syscall.SIGPIPE)
	defer release()
	c.printCautions()
	taken := false
	defer func() {
		if err != nil && taken {
			back, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second) // after Ctrl-C too
			defer cancel()
			if _, failed := c.client.SetAside(back, c.chamber, c.sensor, api.SetAside{}); failed != nil {
				fmt.Fprintf(c.stderr, "gillkeeper: the sensor is still set aside: %s\n", oneLine(failed.Error()))
			}
		}
	}()
	aside := api.SetAside{For: api.Duration(c.timeout + 30*time.Minute)}
	in := api.Calibrate{}
	for i := range max(1, len(c.salts)) {
		if _, err := c.client.SetAside(ctx, c.chamber, c.sensor, aside); err != nil {
			return err
		}
		taken = true
		if err := c.begin(ctx, i, &in); err != nil {
			return err
		}
		p, err := c.settle(ctx)
		if err != nil {
			return err
		}
		if c.freshAir {
			in.FreshAir = &api.FreshAirPoint{Reading: p.Reading, Noise: p.Noise, Expected: c.ppm}
		} else {
			in.Salts = append(in.Salts, api.SaltPoint{Salt: c.salts[i], TemperatureC: float64(p.Temperature), Reading: p.Reading, Noise: p.Noise})
		}
	}
	return c.finish(ctx, &in, x.Calibration)
}

// finish shows the correction, asks, and has it used.
func (c *calibrate) finish(ctx context.Context, in *api.Calibrate, last *api.Calibration) error {
	found, err := fitOf(in, last)
	if err != nil {
		return err
	}
	c.printResult(&found, last)
	if err := c.confirm(ctx, "Use it from now on?"); err != nil {
		return err
	}
	if _, err := c.client.Calibrate(ctx, c.chamber, c.sensor, *in); err != nil {
		return err
	}
	all, x, err := c.look(ctx)
	if err != nil {
		return fmt.Errorf("the correction is in use, but cannot be shown: %w", err)
	}
	fmt.Fprint(c.out, "The correction is in use.")
	if x.Aside != nil {
		fmt.Fprintf(c.out, " Hang the sensor up again; it counts from %s.", c.words.Clock(*x.Aside, all.At))
	}
	fmt.Fprintln(c.out)
	if c.asJSON {
		return c.printSensorJSON(&all, x)
	}
	return nil
}

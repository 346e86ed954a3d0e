package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy/air"
	"gillkeeper/policy/air/salt"
	"gillkeeper/policy/calibration"
	"gillkeeper/policy/chamber"
)

const (
	// mostMisses is how many times in a row the daemon may not answer: it may be restarted while a jar stands.
	mostMisses = 30
	// staleTemperature is the age from which a temperature says nothing of now.
	staleTemperature = 10 * time.Minute
	// moved is how far a reading must leave the first salt's to show that the sensor stands over the second.
	moved = 0.03
	// lineEvery is how often progress is printed where it cannot be written over.
	lineEvery = 5 * time.Minute
)

// begin has a person put the sensor in place; where nobody is asked, the second salt shows by the reading's leaving the
// first.
func (c *calibrate) begin(ctx context.Context, i int, in *api.Calibrate) error {
	where := "Put the sensor into the open air, out of breath and exhaust"
	if !c.freshAir {
		where = fmt.Sprintf("Put the sensor into the closed jar over %s", c.salts[i])
	}
	if !c.yes {
		return c.ask(ctx, where+", then press Enter.")
	}
	fmt.Fprintln(c.out, where+".")
	if i == 0 {
		return nil
	}
	first := in.Salts[0].Reading
	return c.poll(ctx, func(all *api.Sensors, x *api.Sensor) (bool, string) {
		return x.Raw != nil && math.Abs(*x.Raw-first) > moved, "the reading has not left that over " + in.Salts[0].Salt
	})
}

// settle watches the raw reading until it is settled.
func (c *calibrate) settle(ctx context.Context) (calibration.Progress, error) {
	w := calibration.Watch{By: calibration.OverSalt}
	if c.freshAir {
		w.By = calibration.InFreshAir
	}
	var p calibration.Progress
	var line progressLine
	var wrong error
	err := c.poll(ctx, func(all *api.Sensors, x *api.Sensor) (bool, string) {
		t, err := c.temperatureOf(all, x)
		if err != nil {
			wrong = err
			return true, ""
		}
		if x.Raw != nil && x.RawAt != nil && !math.IsNaN(t) {
			w.Add(calibration.Sample{At: *x.RawAt, Reading: *x.Raw, TemperatureC: air.Celsius(t)})
		}
		p = w.Progress()
		line.show(c, &p, all.At)
		if p.Hopeless != "" {
			wrong = errors.New(p.Hopeless)
		}
		return p.Settled || wrong != nil, "it waits " + p.Waits
	})
	line.end(c)
	if err == nil {
		err = wrong
	}
	return p, err
}

// poll looks at the sensor again and again, until done says so or the time is up by the daemon's calendar.
func (c *calibrate) poll(ctx context.Context, done func(*api.Sensors, *api.Sensor) (ok bool, waits string)) error {
	var start time.Time
	misses := 0
	for {
		all, x, err := c.look(ctx)
		switch {
		case err == nil:
			misses = 0
			if start.IsZero() {
				start = all.At
			}
			ok, waits := done(&all, x)
			if ok {
				return nil
			}
			if all.At.Sub(start) >= c.timeout {
				return fmt.Errorf("not settled after %s: %s; nothing was changed", words.Duration(c.timeout), waits)
			}
		case ctx.Err() != nil:
			return errors.New("stopped; nothing was changed")
		default:
			if _, refused := errors.AsType[*api.Problem](err); refused {
				return err
			}
			if misses++; misses >= mostMisses || start.IsZero() {
				return err
			}
		}
		if err := c.wait(ctx, c.every); err != nil {
			return errors.New("stopped; nothing was changed")
		}
	}
}

// temperatureOf gives the temperature beside the salt; NaN for none at the moment.
func (c *calibrate) temperatureOf(all *api.Sensors, x *api.Sensor) (float64, error) {
	if c.freshAir {
		return 0, nil // it does not matter
	}
	if c.hasTemperature {
		return c.temperature, nil
	}
	var found *api.Sensor
	if c.beside != "" {
		var err error
		if found, err = findSensor(all, c.beside); err != nil {
			return 0, err
		}
		if found.Quantity != chamber.Temperature.String() {
			return 0, fmt.Errorf("sensor %s measures %s; --beside needs a temperature sensor", found.Name, found.Quantity)
		}
	} else {
		var names []string
		for i := range all.Sensors {
			if s := &all.Sensors[i]; s.Quantity == chamber.Temperature.String() && s.Place == x.Place {
				found = s
				names = append(names, s.Name)
			}
		}
		if len(names) == 0 {
			return 0, errors.New("no sensor measures the temperature there; give --temperature, in °C, or name a sensor with --beside")
		}
		if len(names) > 1 {
			return 0, fmt.Errorf("which temperature is beside the salt? name one of %s with --beside", strings.Join(names, ", "))
		}
	}
	if found.Raw == nil || found.RawAt == nil || all.At.Sub(*found.RawAt) > staleTemperature {
		return math.NaN(), nil
	}
	return *found.Raw, nil
}

// ask prints a question and waits for a line.
func (c *calibrate) ask(ctx context.Context, question string) error {
	_, err := c.answer(ctx, question+" ")
	return err
}

// confirm asks for a yes; anything else ends the command.
func (c *calibrate) confirm(ctx context.Context, question string) error {
	if c.yes {
		return nil
	}
	got, err := c.answer(ctx, question+" [y/N] ")
	if err != nil {
		return err
	}
	switch strings.ToLower(strings.TrimSpace(got)) {
	case "y", "yes":
		return nil
	}
	fmt.Fprintln(c.out, "Nothing was changed.")
	return &saidError{}
}

func (c *calibrate) answer(ctx context.Context, question string) (string, error) {
	fmt.Fprint(c.out, question)
	type line struct {
		text string
		err  error
	}
	got := make(chan line, 1)
	go func() { // ends with the process when nobody answers: a terminal cannot be waited for otherwise
		text, err := c.in.ReadString('\n')
		got <- line{text, err}
	}()
	select {
	case l := <-got:
		if l.err != nil && (l.text == "" || !errors.Is(l.err, io.EOF)) {
			fmt.Fprintln(c.out)
			return "", errors.New("nobody answers; run it on a terminal, or with --yes")
		}
		return l.text, nil
	case <-ctx.Done():
		fmt.Fprintln(c.out)
		return "", errors.New("stopped; nothing was changed")
	}
}

// fitOf works out the correction as the daemon will, to be shown before it is used.
func fitOf(in *api.Calibrate, last *api.Calibration) (calibration.Correction, error) {
	var found calibration.Correction
	var err error
	if f := in.FreshAir; f != nil {
		found, err = calibration.FitFreshAir(time.Time{}, calibration.Outdoors{Reading: air.PPM(f.Reading), Noise: air.PPM(f.Noise), Expected: air.PPM(f.Expected)})
	} else {
		var points []calibration.Point
		for _, p := range in.Salts {
			x := calibration.Point{TemperatureC: air.Celsius(p.TemperatureC), Reading: air.Ratio(p.Reading), Noise: air.Ratio(p.Noise)}
			if x.Salt, err = saltNamed(p.Salt); err != nil {
				return found, err
			}
			points = append(points, x)
		}
		found, err = calibration.Fit(time.Time{}, points...)
	}
	if err != nil {
		return found, err
	}
	before := calibration.Correction{}
	if last != nil {
		before = calibration.Correction{Quantity: found.Quantity, At: last.At, Slope: last.Slope, Offset: last.Offset}
	}
	found.Since(&before)
	return found, nil
}

func saltNamed(word string) (salt.Salt, error) {
	var s salt.Salt
	err := s.UnmarshalText([]byte(word))
	return s, err
}

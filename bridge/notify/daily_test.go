package notify_test

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/bridge/notify"
	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
)

// TestDaily: once a day at its hour, with every chamber in a line or two; not at the first start after the hour.
func TestDaily(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		daily := phone
		daily.HasDaily, daily.Daily, daily.Quiet = true, 8*time.Hour, notify.Quiet{From: 21 * time.Hour, To: 9 * time.Hour}
		time.Sleep(10 * time.Hour)
		s := begin(t, journal.NewMemory(), daily)
		s.stop()
		loft := s.snaps["loft"]
		loft.State.Air.Inside.RelativeHumidity = chamber.Estimate{Value: 0.912, OK: true}
		loft.State.Reservoir.Known, loft.State.Reservoir.Liters, loft.State.Reservoir.EmptyOK, loft.State.Reservoir.EmptyIn = true, 3.2, true, 50*time.Hour
		loft.State.Totals.InRange = []policy.RangeTotal{{Quantity: chamber.RelativeHumidity, ObservedSeconds: 1000, InRangeSeconds: 500}}
		s.open(daily)
		time.Sleep(time.Hour)
		s.want("phone", "")
		time.Sleep(21*time.Hour + time.Minute) // 08:01 on the next day
		synctest.Wait()
		got := s.posts["phone"].take()
		if len(got) != 1 || got[0].Kind != notify.Daily || got[0].Title != "Shed: All is well in 2 chambers" {
			t.Fatalf("got %+v", got)
		}
		says(t, &got[0], "cellar: nothing is measured.", "loft: humidity 91.2 %.", "Water 3.2 L, empty in about 2 d 2 h.")
		s.stop()

		loft = s.snaps["loft"]
		loft.State.Totals.InRange = []policy.RangeTotal{{Quantity: chamber.RelativeHumidity, ObservedSeconds: 1000 + 80_000, InRangeSeconds: 500 + 60_000}}
		s.open(daily) // a restart on the same day sends nothing
		time.Sleep(time.Hour)
		s.want("phone", "")
		s.raise("loft", alarm.FanFailed)
		time.Sleep(22*time.Hour + 58*time.Minute + 10*time.Second)
		synctest.Wait()
		s.posts["phone"].take() // of the alarm
		time.Sleep(time.Minute)
		synctest.Wait()
		got = s.posts["phone"].take()
		if len(got) != 1 || got[0].Title != "Shed: Alarms in 1 of 2 chambers" || !strings.Contains(got[0].Text, "ALARM fan_failed") ||
			!strings.Contains(got[0].Text, "in range 75 % of the time") {
			t.Errorf("got %+v", got)
		}
		s.stop()
	})
}

// TestDailyWaitsForSensorsAfterAStart: started at the hour of the daily message, nothing is known yet of the chambers but how they
// were before.
func TestDailyWaitsForSensorsAfterAStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		daily := phoneAtEight()
		s := begin(t, journal.NewMemory(), daily)
		time.Sleep(time.Minute)
		s.stop()
		time.Sleep(8 * time.Hour)
		loft := s.snaps["loft"]
		loft.Spec.Sensors = []chamber.Sensor{{Name: "rh", Quantity: chamber.RelativeHumidity, MaxAge: 5 * time.Minute}}
		loft.State.Sensors = []policy.SensorState{{Name: "rh", Live: true, Known: true, At: time.Now().Add(-time.Hour)}}
		s.open(daily)
		time.Sleep(2 * time.Minute)
		s.want("phone", "")
		s.mu.Lock()
		x := *s.snaps["loft"]
		x.State.Sensors = []policy.SensorState{{Name: "rh", Live: true, Known: true, At: time.Now()}}
		x.State.Air.Inside.RelativeHumidity = chamber.Estimate{Value: 0.912, OK: true}
		s.snaps["loft"] = &x
		s.mu.Unlock()
		time.Sleep(time.Minute)
		synctest.Wait()
		if got := s.posts["phone"].take(); len(got) != 1 || !strings.Contains(got[0].Text, "loft: humidity 91.2 %.") {
			t.Errorf("got %+v", got)
		}
		s.stop()

		time.Sleep(24 * time.Hour) // a sensor that says only changes is not waited for
		s.mu.Lock()
		y := *s.snaps["loft"]
		y.Spec = &chamber.Spec{Name: "loft", Sensors: []chamber.Sensor{{Name: "rh", Quantity: chamber.RelativeHumidity, MaxAge: 24 * time.Hour}}}
		y.State.Sensors = []policy.SensorState{{Name: "rh"}}
		s.snaps["loft"] = &y
		s.mu.Unlock()
		s.open(daily)
		time.Sleep(11 * time.Minute)
		s.want("phone", "daily /")
		s.stop()
	})
}

// TestDailyThatWasMissed: the program was away at the hour of the daily message, and silence is to tell that something is wrong. It is
// made once when the program is back, however often it is started then.
func TestDailyThatWasMissed(t *testing.T) {
	h := func(hours float64) time.Duration { return time.Duration(hours * float64(time.Hour)) }
	for name, c := range map[string]struct {
		daily      time.Duration
		quiet      notify.Quiet
		stop, back time.Duration // since the first midnight
		at         []float64     // hours since the first midnight by which another has come, within a quarter of an hour
		says       string        // in the first of them
	}{
		"for a moment":           {h(8), notify.Quiet{}, h(7.9), h(8.05), []float64{8.25, 32.1}, ""},
		"until the evening":      {h(8), notify.Quiet{}, h(7.9), h(20.5), []float64{20.6, 32.1}, "This was due on Sat 1 Jan 08:00; gillkeeper was started on Sat 1 Jan 20:30."},
		"over midnight":          {h(23.5), notify.Quiet{}, h(23), h(25), []float64{25.1, 47.6}, "This was due on Sat 1 Jan 23:30; gillkeeper was started on Sun 2 Jan 01:00."},
		"until quiet hours":      {h(20), notify.Quiet{From: h(22), To: h(7)}, h(19), h(23), []float64{31.1, 44.1}, "due on Sat 1 Jan 20:00"},
		"late in its own quiet":  {h(6), notify.Quiet{From: h(22), To: h(9)}, h(5), h(7.5), []float64{9.1, 30.1}, "due on Sat 1 Jan 06:00"},
		"early in its own quiet": {h(6), notify.Quiet{From: h(22), To: h(9)}, h(5), h(6.5), []float64{6.6, 30.1}, "due on Sat 1 Jan 06:00"},
		"until the next is near": {h(8), notify.Quiet{}, h(7), h(31), []float64{32.1}, ""},
		"for two days":           {h(8), notify.Quiet{}, h(7), h(57), []float64{57.1, 80.1}, "due on Mon 3 Jan 08:00"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				midnight := time.Now()
				until := func(at time.Duration) { time.Sleep(at - time.Since(midnight)); synctest.Wait() }
				daily := phone
				daily.HasDaily, daily.Daily, daily.Quiet = true, c.daily, c.quiet
				s := begin(t, journal.NewMemory(), daily)
				until(c.stop)
				s.stop()
				s.want("phone", "")
				until(c.back)
				s.open(daily)
				for i, at := range c.at {
					if before := h(at - 0.25); before > time.Since(midnight) {
						until(before)
						s.want("phone", "")
					}
					until(h(at))
					got := s.posts["phone"].take()
					if len(got) != 1 || got[0].Kind != notify.Daily {
						t.Fatalf("by %g h: %+v", at, got)
					}
					if due := strings.Contains(got[0].Text, "This was due"); due != (i == 0 && c.says != "") || i == 0 && !strings.Contains(got[0].Text, c.says) {
						t.Errorf("by %g h it says %q", at, got[0].Text)
					}
					for range 3 {
						s.stop()
						s.open(daily)
						time.Sleep(time.Minute)
					}
					s.want("phone", "")
				}
				s.stop()
			})
		})
	}
}

// TestDailyOfACalendarThatIsNotSet: a board without a battery starts years ago, and is set once the network is there. The message of
// today, which was sent before it was started again, is not sent a second time.
func TestDailyOfACalendarThatIsNotSet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		daily := phoneAtEight()
		s := begin(t, journal.NewMemory(), daily)
		time.Sleep(9 * time.Hour)
		s.want("phone", "daily /")
		s.stop()
		s.set(-3 * 365 * 24 * time.Hour)
		s.open(daily)
		time.Sleep(time.Minute)
		s.set(0)
		time.Sleep(time.Hour)
		s.want("phone", "")
		time.Sleep(23 * time.Hour)
		s.want("phone", "daily /")
		s.stop()
	})
}

// TestDailySharesAreOfADay: two services have their daily messages at different hours, and each tells of the day before its own.
func TestDailySharesAreOfADay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		morning, evening := phone, notify.Service{Name: "mail", MinPriority: alarm.High}
		morning.HasDaily, morning.Daily = true, 8*time.Hour
		evening.HasDaily, evening.Daily = true, 20*time.Hour
		s := begin(t, journal.NewMemory(), morning, evening)
		defer s.stop()
		seen := func(observed, in float64) {
			s.mu.Lock()
			defer s.mu.Unlock()
			x := *s.snaps["loft"]
			x.State.Air.Inside.RelativeHumidity = chamber.Estimate{Value: 0.9, OK: true}
			x.State.Totals.InRange = []policy.RangeTotal{{Quantity: chamber.RelativeHumidity, ObservedSeconds: observed, InRangeSeconds: in}}
			s.snaps["loft"] = &x
		}
		seen(3600, 3600)
		time.Sleep(9 * time.Hour) // 09:00
		seen(3600+12*3600, 3600)
		time.Sleep(12 * time.Hour) // 21:00
		seen(3600+24*3600, 3600+12*3600)
		time.Sleep(12 * time.Hour) // 09:00
		synctest.Wait()
		got := s.posts["phone"].take()
		if len(got) != 2 || !strings.Contains(got[1].Text, "in range 50 % of the time") {
			t.Errorf("got %+v", got)
		}
	})
}

// TestDailyOfLittleWater: the reservoir should be empty by now, and half of the alarm's text is which batch.
func TestDailyOfLittleWater(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		daily := phoneAtEight()
		s := begin(t, journal.NewMemory(), daily)
		defer s.stop()
		s.change("cellar", alarm.HarvestDue, alarm.Acknowledged, false, alarm.Condition{Active: true, About: "oyster-3", Also: "shii"})
		s.mu.Lock()
		x := *s.snaps["loft"]
		x.State.Reservoir.Known, x.State.Reservoir.Liters, x.State.Reservoir.EmptyOK = true, 0.04, true
		s.snaps["loft"] = &x
		s.mu.Unlock()
		time.Sleep(9 * time.Hour)
		synctest.Wait()
		got := s.posts["phone"].take()
		if len(got) != 1 {
			t.Fatalf("got %+v", got)
		}
		says(t, &got[0], "Water 0.04 L, empty by now.", "ALARM harvest_due: A batch is due for harvest. oyster-3, shii.")
	})
}

// TestDailyAfterAFutureCalendar: a clock without a battery may have shown a year to come when the last daily message was made.
func TestDailyAfterAFutureCalendar(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		outbox := journal.NewMemory()
		if err := outbox.Keep(t.Context(), "notify", []journal.Record{{Name: "memory", Body: []byte(`{"days":{"phone":"2031-05-01"}}`)}}); err != nil {
			t.Fatal(err)
		}
		daily := phoneAtEight()
		s := begin(t, outbox, daily)
		defer s.stop()
		time.Sleep(9 * time.Hour)
		s.want("phone", "daily /")
		time.Sleep(24 * time.Hour)
		s.want("phone", "daily /")
	})
}

// TestDailyOfWhatIsShelved: who is away put off an alarm for days, and its condition is there: all is not well.
func TestDailyOfWhatIsShelved(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		daily := phoneAtEight()
		s := begin(t, journal.NewMemory(), daily)
		defer s.stop()
		shelve := func(stands bool) {
			s.mu.Lock()
			defer s.mu.Unlock()
			x := *s.snaps["loft"]
			l := x.State.Alarms.Of(alarm.ReservoirDry)
			l.Phase, l.Standing, l.ShelvedLeft = alarm.Shelved, stands, 6*time.Hour
			s.snaps["loft"] = &x
		}
		shelve(true)
		time.Sleep(9 * time.Hour)
		synctest.Wait()
		got := s.posts["phone"].take()
		if len(got) != 1 || got[0].Title != "Shed: No alarm but what is shelved" || !strings.Contains(got[0].Text, "Shelved until 14:00: reservoir_dry: The humidifier gives no mist") {
			t.Errorf("got %+v", got)
		}
		shelve(false)
		time.Sleep(24 * time.Hour)
		synctest.Wait()
		if got := s.posts["phone"].take(); len(got) != 1 || got[0].Title != "Shed: All is well in 2 chambers" {
			t.Errorf("got %+v", got)
		}
	})
}

// TestDailyCountsInWords: of one chamber, and of one more than are written out, the daily message speaks as of one.
func TestDailyCountsInWords(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		daily := phoneAtEight()
		s := begin(t, journal.NewMemory(), daily)
		defer s.stop()
		s.mu.Lock()
		delete(s.snaps, "cellar")
		s.mu.Unlock()
		s.raise("loft", alarm.FanFailed)
		last := func() notify.Message {
			time.Sleep(24 * time.Hour)
			synctest.Wait()
			all := s.posts["phone"].take()
			if len(all) == 0 {
				t.Fatal("nothing came")
			}
			return all[len(all)-1]
		}
		if m := last(); m.Title != "Shed: Alarms in loft" {
			t.Errorf("got %q", m.Title)
		}
		s.mu.Lock()
		for i := range 20 { // with loft 21, of which 20 are written out
			x := *s.snaps["loft"]
			x.Spec = &chamber.Spec{Name: fmt.Sprintf("n%02d", i)}
			x.State.Alarms = alarm.State{}
			s.snaps[x.Spec.Name] = &x
		}
		s.mu.Unlock()
		if m := last(); !strings.HasSuffix(m.Text, "\n1 more chamber is well.") {
			t.Errorf("got %q", m.Text)
		}
	})
}

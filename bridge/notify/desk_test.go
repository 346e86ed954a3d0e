package notify_test

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/bridge/notify"
	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
)

// site is a house of chambers whose alarms a test raises and ends, with a desk that tells of them.
type site struct {
	t      *testing.T
	desk   *notify.Desk
	outbox journal.Records
	posts  map[string]*post
	counts map[string]int

	mu       sync.Mutex
	snaps    map[string]*policy.Snapshot
	unlinked string        // why the broker is not connected
	shift    time.Duration // of the calendar against the machine's clock
	stop     func()
}

func (s *site) Notified(result string)     { s.mu.Lock(); defer s.mu.Unlock(); s.counts[result]++ }
func (s *site) NotificationsWaiting(n int) {}

func (s *site) count(result string) int { s.mu.Lock(); defer s.mu.Unlock(); return s.counts[result] }

func (s *site) know(why string) { s.mu.Lock(); defer s.mu.Unlock(); s.unlinked = why }
func (s *site) why() string     { s.mu.Lock(); defer s.mu.Unlock(); return s.unlinked }

func (s *site) wall() time.Time      { s.mu.Lock(); defer s.mu.Unlock(); return time.Now().Add(s.shift) }
func (s *site) set(by time.Duration) { s.mu.Lock(); defer s.mu.Unlock(); s.shift = by }

// begin starts a desk in the present bubble. Services without a notifier get one that takes everything down.
func begin(t *testing.T, outbox journal.Records, services ...notify.Service) *site {
	s := &site{t: t, outbox: outbox, posts: map[string]*post{}, counts: map[string]int{}, snaps: map[string]*policy.Snapshot{}}
	s.calm("loft")
	s.calm("cellar")
	s.open(services...)
	return s
}

func (s *site) services(services []notify.Service) []notify.Service {
	for i := range services {
		if p, ok := services[i].Notifier.(*post); ok {
			s.posts[services[i].Name] = p
		} else if s.posts[services[i].Name] == nil {
			s.posts[services[i].Name] = &post{}
		}
		services[i].Notifier = s.posts[services[i].Name]
	}
	return services
}

func (s *site) open(services ...notify.Service) {
	s.desk = notify.New(s.t.Context(), notify.Options{Services: s.services(services), Site: notify.Site{Name: "Shed"}, Outbox: s.outbox,
		Snapshots: s.snapshots, Wall: s.wall, Counter: s, Unlinked: s.why})
	ctx, cancel := context.WithCancel(s.t.Context())
	done := make(chan struct{})
	go func() { s.desk.Run(ctx); close(done) }()
	s.stop = func() { cancel(); <-done }
}

func (s *site) snapshots() []*policy.Snapshot {
	s.mu.Lock()
	defer s.mu.Unlock()
	var all []*policy.Snapshot
	for _, name := range slices.Sorted(maps.Keys(s.snaps)) {
		x := *s.snaps[name]
		x.Wall, x.State.Now, x.Decision.At = time.Now(), time.Now(), time.Now()
		all = append(all, &x)
	}
	return all
}

func (s *site) calm(name string) {
	s.snaps[name] = &policy.Snapshot{Spec: &chamber.Spec{Name: name, Plugs: []chamber.Plug{{Name: "mister", Role: chamber.Humidifier}}}}
}

// change puts an alarm into a phase and says so.
func (s *site) change(name string, n alarm.Name, p alarm.Phase, notified bool, c alarm.Condition) {
	now := time.Now()
	s.mu.Lock()
	x := *s.snaps[name]
	x.Wall, x.State.Now, x.Decision.At = now, now, now
	l := x.State.Alarms.Of(n)
	l.Phase, l.Since, l.Condition = p, now, c
	if p == alarm.Unacknowledged {
		l.Raised, l.Told, l.LastTold, l.ToldAt = now, notified, c.Instances, now
	}
	s.snaps[name] = &x
	s.mu.Unlock()
	e := policy.Event{At: now, Kind: policy.AlarmChanged, Alarm: n, Phase: p.String(), Priority: alarm.Of(n).Priority.String(), Notify: notified, Condition: &c}
	s.desk.Happened(&x, []policy.Event{e})
}

func (s *site) raise(name string, n alarm.Name) {
	s.change(name, n, alarm.Unacknowledged, true, alarm.Condition{Active: true})
}

func (s *site) end(name string, n alarm.Name) {
	s.change(name, n, alarm.ReturnedUnacknowledged, false, alarm.Condition{})
}

// titles gives what arrived at a service since the last call, one word for each message.
func (s *site) titles(service string) string {
	var all []string
	for _, m := range s.posts[service].take() {
		if m.Kind == notify.Several {
			var parts []string
			for _, p := range m.Parts {
				parts = append(parts, fmt.Sprintf("%s %s/%s", p.Kind, p.Chamber, p.Alarm))
			}
			all = append(all, "several("+strings.Join(parts, ", ")+")")
			continue
		}
		all = append(all, fmt.Sprintf("%s %s/%s", m.Kind, m.Chamber, m.Alarm))
	}
	return strings.Join(all, "; ")
}

func (s *site) want(service, want string) {
	s.t.Helper()
	synctest.Wait()
	if got := s.titles(service); got != want {
		s.t.Errorf("%s got %q, want %q", service, got, want)
	}
}

var phone = notify.Service{Name: "phone", MinPriority: alarm.High}

// phoneAtEight is the phone with a daily message at eight.
func phoneAtEight() notify.Service {
	s := phone
	s.HasDaily, s.Daily = true, 8*time.Hour
	return s
}

// TestADamagedJournalIsToldAsThat: not as a full disk, and not as over once it was acknowledged.
func TestADamagedJournalIsToldAsThat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := begin(t, nil, notify.Service{Name: "phone", MinPriority: alarm.Medium})
		defer func() { s.stop() }()
		c := alarm.Condition{Active: true, Code: alarm.SetAside, About: "/var/j.db.damaged-1"}
		s.change("loft", alarm.JournalFailing, alarm.Unacknowledged, true, c)
		time.Sleep(time.Minute)
		got := s.posts["phone"].take()
		if len(got) != 1 || got[0].Title != "Shed: loft: The journal was damaged. It was set aside, and a new one is kept." || strings.Contains(got[0].Text, "full") {
			t.Fatalf("%+v", got)
		}
		says(t, &got[0], "/var/j.db.damaged-1: the damaged file", "Do: Look whether batches", "ack loft journal_failing")
		s.change("loft", alarm.JournalFailing, alarm.Normal, false, c)
		time.Sleep(time.Minute)
		s.want("phone", "")
	})
}

// The bubble's clock starts at midnight UTC on 1 January 2000.
func TestToldAndToldThatItIsOver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := begin(t, journal.NewMemory(), phone, notify.Service{Name: "mail", MinPriority: alarm.Low})
		defer s.stop()
		s.raise("loft", alarm.ReservoirDry) // high
		time.Sleep(20 * time.Second)
		s.want("phone", "alarm loft/reservoir_dry")
		s.want("mail", "alarm loft/reservoir_dry")

		s.raise("cellar", alarm.HumidityLow) // medium: below what the phone is to get
		time.Sleep(20 * time.Second)
		s.want("phone", "")
		s.want("mail", "alarm cellar/humidity_low")

		s.change("loft", alarm.ReservoirDry, alarm.Acknowledged, false, alarm.Condition{Active: true})
		time.Sleep(time.Minute)
		s.want("phone", "")
		s.change("loft", alarm.ReservoirDry, alarm.Normal, false, alarm.Condition{})
		s.end("cellar", alarm.HumidityLow)
		time.Sleep(20 * time.Second)
		s.want("phone", "returned loft/reservoir_dry")
		s.want("mail", "several(returned loft/reservoir_dry, returned cellar/humidity_low)")
		time.Sleep(24 * time.Hour)
		s.want("phone", "")
		s.want("mail", "")
		if n := s.count("sent"); n != 6 {
			t.Errorf("%d messages counted as sent, want 6", n)
		}
	})
}

// says reports what the text of a message lacks.
func says(t *testing.T, m *notify.Message, wants ...string) {
	t.Helper()
	for _, want := range wants {
		if !strings.Contains(m.Text, want) {
			t.Errorf("the text lacks %q:\n%s", want, m.Text)
		}
	}
}

func TestOneCauseIsOneMessage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := begin(t, journal.NewMemory(), phone)
		defer s.stop()
		s.change("loft", alarm.HumidityLow, alarm.Unacknowledged, false, alarm.Condition{Active: true, Cause: alarm.ReservoirDry,
			Quantity: chamber.RelativeHumidity, Value: 0.71, Bound: 0.85})
		s.raise("loft", alarm.ReservoirDry)
		time.Sleep(time.Minute)
		synctest.Wait()
		got := s.posts["phone"].take()
		if len(got) != 1 {
			t.Fatalf("%d messages, want 1", len(got))
		}
		says(t, &got[0], "Follows from it:", "The air is too dry.", "71.0 %", "act within 4 h", "Do: Refill", "alarm ack loft reservoir_dry")
		if got[0].Title != "Shed: loft: "+alarm.Of(alarm.ReservoirDry).Says {
			t.Errorf("title %q", got[0].Title)
		}
	})
}

// TestTheOnlySensorHasNoOtherToAgreeWith: what is told of it, and what to do, is not what is told of two.
func TestTheOnlySensorHasNoOtherToAgreeWith(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := begin(t, journal.NewMemory(), notify.Service{Name: "mail", MinPriority: alarm.Low})
		defer s.stop()
		s.change("loft", alarm.SensorDisagrees, alarm.Unacknowledged, true, alarm.Condition{Active: true, Code: alarm.Drifted,
			Quantity: chamber.RelativeHumidity, About: "upper", Value: 0.117})
		time.Sleep(time.Minute)
		synctest.Wait()
		got := s.posts["mail"].take()
		if len(got) != 1 {
			t.Fatalf("%d messages, want 1", len(got))
		}
		says(t, &got[0], "upper: reads higher than the water used allows: by about 12 points.", "let it dry", "salt")
		if !strings.Contains(got[0].Title, "only humidity sensor") || strings.Contains(got[0].Title+got[0].Text, "not agree") {
			t.Errorf("%s\n%s", got[0].Title, got[0].Text)
		}
	})
}

func TestShelvedIsNoReturn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := begin(t, journal.NewMemory(), phone)
		defer s.stop()
		s.raise("loft", alarm.FanFailed)
		time.Sleep(time.Minute)
		s.want("phone", "alarm loft/fan_failed")
		s.change("loft", alarm.FanFailed, alarm.Shelved, false, alarm.Condition{})
		time.Sleep(time.Hour)
		s.change("loft", alarm.FanFailed, alarm.Normal, false, alarm.Condition{})
		time.Sleep(time.Hour)
		s.want("phone", "")
	})
}

func TestALatchedAlarmSaysHowToResetIt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := begin(t, journal.NewMemory(), phone)
		defer s.stop()
		s.raise("loft", alarm.RoomCO2Unsafe)
		time.Sleep(time.Minute)
		s.posts["phone"].take()
		s.change("loft", alarm.RoomCO2Unsafe, alarm.LatchedUnacknowledged, false, alarm.Condition{})
		time.Sleep(time.Minute)
		synctest.Wait()
		got := s.posts["phone"].take()
		if len(got) != 1 || !strings.Contains(got[0].Text, "stays until somebody resets it") {
			t.Errorf("got %+v", got)
		}
		s.change("loft", alarm.RoomCO2Unsafe, alarm.Normal, false, alarm.Condition{}) // reset by a person
		time.Sleep(time.Hour)
		s.want("phone", "")
	})
}

// TestRetried: what does not go through is tried again with growing pauses, is said once, and arrives in the end.
func TestRetried(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := begin(t, journal.NewMemory(), phone)
		defer s.stop()
		p := s.posts["phone"]
		p.break_(errors.New("the wire is cut"))
		s.raise("loft", alarm.ReservoirDry)
		time.Sleep(6 * time.Hour)
		synctest.Wait()
		at := p.attempts()
		if len(at) < 10 || len(at) > 20 {
			t.Errorf("%d attempts in six hours", len(at))
		}
		for i := 2; i < len(at); i++ {
			if gap, before := at[i].Sub(at[i-1]), at[i-1].Sub(at[i-2]); gap < before-2*time.Second || gap > 31*time.Minute {
				t.Errorf("pause %d is %s, the one before %s", i, gap, before)
			}
		}
		st := s.desk.Status()
		if len(st) != 1 || st[0].Waiting != 1 || st[0].Failing.IsZero() || st[0].Fault != "the wire is cut" {
			t.Errorf("status %+v", st)
		}
		if s.count("failed") != len(at) || s.count("sent") != 0 {
			t.Errorf("counted %v", s.counts)
		}
		p.break_(nil)
		time.Sleep(31 * time.Minute)
		s.want("phone", "alarm loft/reservoir_dry")
		if st := s.desk.Status(); st[0].Waiting != 0 || !st[0].Failing.IsZero() || st[0].LastSent.IsZero() {
			t.Errorf("status %+v", st)
		}
	})
}

func TestGivenUpAtLast(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := begin(t, journal.NewMemory(), phone)
		defer s.stop()
		s.posts["phone"].break_(errors.New("the wire is cut"))
		s.raise("loft", alarm.ReservoirDry)
		time.Sleep(73 * time.Hour)
		synctest.Wait()
		if st := s.desk.Status(); st[0].Waiting != 0 || s.count("dropped") != 1 {
			t.Errorf("status %+v, counted %v", st, s.counts)
		}
	})
}

// TestKeptOverARestart: what could not be sent is sent by the next process; what was told is known there.
func TestKeptOverARestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		outbox := journal.NewMemory()
		s := begin(t, outbox, phone)
		s.posts["phone"].break_(errors.New("the wire is cut"))
		s.raise("loft", alarm.ReservoirDry)
		time.Sleep(time.Minute)
		s.stop()
		s.want("phone", "")

		s.posts["phone"].break_(nil)
		s.open(phone)
		time.Sleep(31 * time.Minute)
		s.want("phone", "alarm loft/reservoir_dry")
		s.stop()

		s.snaps["loft"].State.Alarms.Of(alarm.ReservoirDry).Phase = alarm.Normal // while nobody looked
		s.open(phone)
		time.Sleep(time.Minute)
		s.want("phone", "returned loft/reservoir_dry")
		s.stop()
		s.open(phone)
		time.Sleep(time.Hour)
		s.want("phone", "")
		s.stop()
	})
}

// TestAnEventLostWithTheProcess: the alarm stands as told in the chamber's state, and nobody was told.
func TestAnEventLostWithTheProcess(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := begin(t, journal.NewMemory(), phone)
		s.stop()
		l := s.snaps["loft"].State.Alarms.Of(alarm.FanFailed)
		l.Phase, l.Told, l.Since, l.Raised = alarm.Unacknowledged, true, time.Now(), time.Now()
		s.open(phone)
		time.Sleep(2 * time.Minute)
		s.want("phone", "alarm loft/fan_failed")
		s.stop()
	})
}

// TestQuietHours: at night only what is urgent rings; the rest comes in the morning, together.
func TestQuietHours(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		night := phone
		night.Quiet = notify.Quiet{From: 22 * time.Hour, To: 7 * time.Hour}
		s := begin(t, journal.NewMemory(), night)
		defer s.stop()
		time.Sleep(time.Hour) // 01:00
		s.raise("loft", alarm.ReservoirDry)
		s.raise("cellar", alarm.FanFailed)
		s.end("loft", alarm.ReservoirDry)
		time.Sleep(time.Hour)
		s.want("phone", "")
		s.raise("cellar", alarm.RoomCO2Unsafe) // urgent
		time.Sleep(time.Minute)
		s.want("phone", "alarm cellar/room_co2_unsafe")
		time.Sleep(4*time.Hour + 58*time.Minute)
		s.want("phone", "")
		time.Sleep(2*time.Minute + 15*time.Second)                                                                 // 07:00
		s.want("phone", "several(alarm cellar/fan_failed, alarm loft/reservoir_dry, returned loft/reservoir_dry)") // what stands first
	})
}

// TestANightThatIsOver: what came and went in the night is no alarm any more in the morning, and does not hide the one that stands.
func TestANightThatIsOver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		night := notify.Service{Name: "phone", MinPriority: alarm.Low, Quiet: notify.Quiet{From: 22 * time.Hour, To: 7 * time.Hour}}
		s := begin(t, journal.NewMemory(), night)
		defer s.stop()
		morning := func() notify.Message {
			t.Helper()
			now := time.Now()
			time.Sleep(now.Truncate(24 * time.Hour).Add(31*time.Hour + time.Minute).Sub(now)) // 07:01 on the next day
			synctest.Wait()
			got := s.posts["phone"].take()
			if len(got) != 1 {
				t.Fatalf("%d messages: %+v", len(got), got)
			}
			return got[0]
		}
		time.Sleep(23 * time.Hour)
		s.raise("loft", alarm.ReservoirDry)
		time.Sleep(37 * time.Minute)
		s.end("loft", alarm.ReservoirDry)
		time.Sleep(10 * time.Minute)
		if m := morning(); m.Title != "Shed: 2 messages, all over by now: loft: "+alarm.Of(alarm.ReservoirDry).Says {
			t.Errorf("title %q", m.Title)
		}
		time.Sleep(15 * time.Hour) // 22:01
		for range 10 {
			s.raise("loft", alarm.FanFailed)
			time.Sleep(time.Minute)
			s.end("loft", alarm.FanFailed)
			time.Sleep(time.Minute)
		}
		s.raise("cellar", alarm.CO2High)
		m := morning()
		if m.Title != "Shed: 21 messages, the worst: cellar: "+alarm.Of(alarm.CO2High).Says || m.Priority != alarm.High {
			t.Errorf("title %q, priority %s", m.Title, m.Priority)
		}
		if !strings.HasPrefix(m.Text, "cellar: "+alarm.Of(alarm.CO2High).Says) {
			t.Errorf("the text does not begin with what stands:\n%s", m.Text)
		}
	})
}

// TestGraverThanTold: an alarm that becomes graver is told to those who asked only for what is that grave, and again to those who
// were told of it as it was; once.
func TestGraverThanTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := begin(t, journal.NewMemory(), notify.Service{Name: "phone", MinPriority: alarm.Medium}, notify.Service{Name: "mail", MinPriority: alarm.Low})
		defer s.stop()
		time.Sleep(time.Hour)
		s.raise("loft", alarm.SensorDisagrees) // low
		time.Sleep(time.Hour)
		s.want("phone", "")
		s.want("mail", "alarm loft/sensor_disagrees")
		s.mu.Lock()
		x := *s.snaps["loft"]
		x.State.Alarms.Of(alarm.SensorDisagrees).Condition.Worse = true
		s.snaps["loft"] = &x
		s.mu.Unlock()
		time.Sleep(time.Hour)
		s.want("phone", "alarm loft/sensor_disagrees")
		s.want("mail", "alarm loft/sensor_disagrees")
		s.end("loft", alarm.SensorDisagrees)
		time.Sleep(time.Hour)
		synctest.Wait()
		for _, service := range []string{"phone", "mail"} {
			got := s.posts[service].take()
			if len(got) != 1 || got[0].Kind != notify.Returned || got[0].Priority != alarm.Medium {
				t.Errorf("%s got %+v", service, got)
			}
		}
	})
}

// TestRate: many messages at once become few; urgent ones are not held up.
func TestRate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := begin(t, journal.NewMemory(), phone)
		defer s.stop()
		for range 30 { // each a minute after the other: no two are gathered
			s.raise("loft", alarm.FanFailed)
			time.Sleep(30 * time.Second)
			s.end("loft", alarm.FanFailed)
			time.Sleep(30 * time.Second)
		}
		time.Sleep(time.Hour)
		synctest.Wait()
		got := s.posts["phone"].take()
		if len(got) > 5+9 { // the burst, and one each ten minutes of the hour and a half
			t.Errorf("%d messages arrived", len(got))
		}
		n := 0
		for _, m := range got {
			n += max(1, len(m.Parts))
		}
		if n != 60 {
			t.Errorf("%d of 60 were told", n)
		}
		for range 10 {
			s.raise("loft", alarm.FanFailed)
			s.end("loft", alarm.FanFailed)
			time.Sleep(20 * time.Second)
		}
		s.posts["phone"].take()
		s.raise("cellar", alarm.RoomCO2Unsafe)
		time.Sleep(10 * time.Second)
		synctest.Wait()
		if got := s.titles("phone"); !strings.Contains(got, "alarm cellar/room_co2_unsafe") {
			t.Errorf("urgent and held up: %q", got)
		}
	})
}

func TestReload(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := begin(t, journal.NewMemory(), phone)
		defer s.stop()
		s.posts["phone"].break_(errors.New("the wire is cut"))
		s.raise("loft", alarm.ReservoirDry)
		time.Sleep(time.Minute)
		s.desk.Adopt(s.services([]notify.Service{{Name: "mail", MinPriority: alarm.Low}}), notify.Site{Name: "Barn"})
		time.Sleep(time.Minute)
		synctest.Wait()
		got := s.posts["mail"].take()
		if len(got) != 1 || !strings.HasPrefix(got[0].Title, "Barn: loft: ") {
			t.Errorf("the new service was told %+v", got)
		}
		if st := s.desk.Status(); len(st) != 1 || st[0].Name != "mail" || s.count("dropped") != 1 {
			t.Errorf("status %+v, counted %v", st, s.counts)
		}
	})
}

// TestASlowServiceHoldsNobodyUp: neither the owner of the chambers nor the other services.
func TestASlowServiceHoldsNobodyUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		slow := phone
		slow.Name, slow.Notifier = "slow", &post{hold: make(chan struct{})}
		s := begin(t, journal.NewMemory(), slow, phone)
		defer s.stop()
		began := time.Now()
		s.raise("loft", alarm.ReservoirDry)
		if time.Since(began) != 0 {
			t.Error("the owner was held up")
		}
		time.Sleep(20 * time.Second)
		s.want("phone", "alarm loft/reservoir_dry")
		s.raise("loft", alarm.FanFailed)
		time.Sleep(20 * time.Second)
		s.want("phone", "alarm loft/fan_failed")
		close(slow.Notifier.(*post).hold)
		time.Sleep(20 * time.Second)
		s.want("slow", "alarm loft/reservoir_dry; alarm loft/fan_failed")
	})
}

// TestAFloodIsBounded: ten thousand alarms at once neither grow without end nor lose the gravest.
func TestAFloodIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := begin(t, journal.NewMemory(), phone)
		defer s.stop()
		s.posts["phone"].break_(errors.New("the wire is cut"))
		s.raise("cellar", alarm.RoomCO2Unsafe)
		for i := range 800 {
			s.change("loft", alarm.FanFailed, alarm.Unacknowledged, true, alarm.Condition{Active: true, Instances: uint64(i)})
		}
		time.Sleep(time.Minute)
		synctest.Wait()
		if st := s.desk.Status(); st[0].Waiting != 500 {
			t.Errorf("%d messages wait", st[0].Waiting)
		}
		s.posts["phone"].break_(nil)
		time.Sleep(time.Hour)
		synctest.Wait()
		got := s.posts["phone"].take()
		if len(got) == 0 || got[0].Priority != alarm.Urgent || got[0].Parts[0].Alarm != alarm.RoomCO2Unsafe {
			t.Errorf("%d messages, the first not of what is gravest", len(got))
		}
		if n := len(got[0].Text); n > 8000 {
			t.Errorf("a message of %d bytes", n)
		}
	})
}

func TestQuiet(t *testing.T) {
	at := func(h, m int) time.Time { return time.Date(2026, 3, 1, h, m, 0, 0, time.UTC) }
	night := notify.Quiet{From: 22 * time.Hour, To: 7 * time.Hour}
	noon := notify.Quiet{From: 12 * time.Hour, To: 14 * time.Hour}
	for _, c := range []struct {
		q    notify.Quiet
		at   time.Time
		want bool
	}{
		{night, at(21, 59), false}, {night, at(22, 0), true}, {night, at(0, 0), true}, {night, at(6, 59), true}, {night, at(7, 0), false},
		{noon, at(11, 59), false}, {noon, at(12, 0), true}, {noon, at(14, 0), false}, {notify.Quiet{}, at(0, 0), false},
	} {
		if got := c.q.Holds(c.at); got != c.want {
			t.Errorf("%v at %s: %v", c.q, c.at.Format("15:04"), got)
		}
	}
}

// TestLeftAloneAsAsked: a service that says when to come again is not asked before, whatever is raised, unless it is urgent.
func TestLeftAloneAsAsked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := begin(t, journal.NewMemory(), phone)
		defer s.stop()
		p := s.posts["phone"]
		p.break_(&notify.Busy{Err: errors.New("it answers 429"), For: 20 * time.Minute})
		s.raise("loft", alarm.ReservoirDry)
		time.Sleep(10 * time.Minute)
		s.raise("cellar", alarm.FanFailed)
		time.Sleep(9 * time.Minute)
		synctest.Wait()
		if n := len(p.attempts()); n != 1 {
			t.Errorf("%d attempts in the twenty minutes, want 1", n)
		}
		s.raise("cellar", alarm.RoomCO2Unsafe)
		time.Sleep(30 * time.Second)
		synctest.Wait()
		if n := len(p.attempts()); n != 1 {
			t.Errorf("%d attempts of what is urgent, want 1", n)
		}
		p.break_(nil)
		time.Sleep(21 * time.Minute)
		s.want("phone", "several(alarm cellar/room_co2_unsafe, alarm loft/reservoir_dry, alarm cellar/fan_failed)")
	})
}

// TestTakenForSome: what some recipients have is not sent again, and that others do not get it is shown.
func TestTakenForSome(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := begin(t, journal.NewMemory(), phone)
		defer s.stop()
		p := s.posts["phone"]
		p.break_(&notify.Partly{Err: errors.New("the mail server refuses a recipient")})
		s.raise("loft", alarm.ReservoirDry)
		time.Sleep(24 * time.Hour)
		synctest.Wait()
		st := s.desk.Status()[0]
		if n := len(p.attempts()); n != 1 || st.Waiting != 0 || st.Failing.IsZero() || st.Fault == "" || s.count("sent") != 1 {
			t.Errorf("%d attempts, status %+v, counted %v", n, st, s.counts)
		}
		p.break_(nil)
		s.raise("cellar", alarm.FanFailed)
		time.Sleep(time.Minute)
		synctest.Wait()
		if st := s.desk.Status()[0]; !st.Failing.IsZero() || st.Fault != "" {
			t.Errorf("status %+v", st)
		}
	})
}

// TestAMendedAddressIsTriedAtOnce: after hours of failures pauses are half an hour long.
func TestAMendedAddressIsTriedAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := begin(t, journal.NewMemory(), phone)
		defer s.stop()
		s.posts["phone"].break_(errors.New("no such host"))
		s.raise("loft", alarm.ReservoirDry)
		time.Sleep(5*time.Hour + 15*time.Minute)
		mended := phone
		mended.Notifier = &post{}
		s.desk.Adopt(s.services([]notify.Service{mended}), notify.Site{Name: "Shed"})
		time.Sleep(time.Minute)
		s.want("phone", "alarm loft/reservoir_dry")
	})
}

// TestNoTwoMessagesHaveOneID: whoever leaves out what they have had by its id must not leave out what was added since, nor
// another's daily message.
func TestNoTwoMessagesHaveOneID(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		daily := phoneAtEight()
		ids := map[string]bool{}
		houses := []*site{begin(t, journal.NewMemory(), daily), begin(t, journal.NewMemory(), daily)}
		lose := func(yes bool) {
			for _, s := range houses {
				s.posts["phone"].mu.Lock()
				s.posts["phone"].lose = yes
				s.posts["phone"].mu.Unlock()
			}
		}
		raise := func(name string, n alarm.Name) {
			for _, s := range houses {
				s.raise(name, n)
			}
		}
		lose(true)
		raise("loft", alarm.ReservoirDry)
		time.Sleep(10 * time.Second)
		raise("cellar", alarm.FanFailed)
		time.Sleep(5 * time.Minute)
		raise("cellar", alarm.PlugDisobeys)
		time.Sleep(time.Hour)
		lose(false)
		time.Sleep(7 * time.Hour)
		for _, s := range houses {
			s.stop()
			text := map[string]string{}
			for _, m := range s.posts["phone"].take() {
				if was, ok := text[m.ID]; ok && was != m.Text {
					t.Errorf("%s is two messages:\n%s\nand\n%s", m.ID, was, m.Text)
				}
				text[m.ID] = m.Text
			}
			for id := range text {
				if ids[id] {
					t.Errorf("both houses send %s", id)
				}
				ids[id] = true
			}
			if len(text) < 4 {
				t.Errorf("only %d messages", len(text))
			}
		}
	})
}

// TestOverDoesNotArriveFirst: the message of an alarm waits for its next attempt, and the one that it is over is on its first. The
// service works again just then.
func TestOverDoesNotArriveFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := begin(t, journal.NewMemory(), phone)
		defer s.stop()
		s.posts["phone"].break_(errors.New("the wire is cut"))
		s.raise("loft", alarm.ReservoirDry)
		time.Sleep(3 * time.Hour) // by now half an hour passes between attempts
		s.posts["phone"].attempts()
		for len(s.posts["phone"].attempts()) == 0 {
			time.Sleep(time.Second)
			synctest.Wait()
		}
		s.posts["phone"].break_(nil)
		s.raise("cellar", alarm.FanFailed)
		s.end("loft", alarm.ReservoirDry)
		time.Sleep(10 * time.Second)
		s.want("phone", "several(alarm cellar/fan_failed, alarm loft/reservoir_dry, returned loft/reservoir_dry)")
	})
}

// TestALostBrokerIsToldWithItsCause: whoever is away from the page is to learn what to mend. Other alarms have nothing to do with it.
func TestALostBrokerIsToldWithItsCause(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := begin(t, journal.NewMemory(), phone)
		defer func() { s.stop() }()
		const why = "the broker refuses the user; check broker.username and broker.password_file"
		s.know(why)
		s.raise("loft", alarm.BrokerLost)
		s.raise("cellar", alarm.FanFailed)
		time.Sleep(time.Minute)
		got := s.posts["phone"].take()
		if len(got) != 1 || len(got[0].Parts) != 2 || strings.Count(got[0].Text, "Why: "+why+".") != 1 {
			t.Fatalf("got %+v", got)
		}
		for _, m := range got[0].Parts {
			if strings.Contains(m.Text, why) != (m.Alarm == alarm.BrokerLost) {
				t.Errorf("%s: %s", m.Alarm, m.Text)
			}
		}
		s.know("")
		s.end("loft", alarm.BrokerLost)
		s.raise("loft", alarm.BrokerLost)
		time.Sleep(time.Minute)
		if got = s.posts["phone"].take(); len(got) != 1 || strings.Contains(got[0].Text, "Why") {
			t.Errorf("where nobody knows why: %+v", got)
		}
	})
}

// TestOneBrokerIsOneMessage: it is lost to every chamber at once, and told as one thing.
func TestOneBrokerIsOneMessage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := begin(t, journal.NewMemory(), phone)
		defer s.stop()
		says := alarm.Of(alarm.BrokerLost).Says
		s.raise("loft", alarm.BrokerLost)
		s.raise("cellar", alarm.BrokerLost)
		time.Sleep(time.Minute)
		synctest.Wait()
		got := s.posts["phone"].take()
		if len(got) != 1 || got[0].Title != "Shed: loft, cellar: "+says || strings.Count(got[0].Text, "Likely cause") != 1 || len(got[0].Parts) != 2 {
			t.Errorf("got %+v", got)
		}
		s.end("loft", alarm.BrokerLost)
		s.raise("cellar", alarm.FanFailed)
		s.end("cellar", alarm.BrokerLost)
		time.Sleep(time.Minute)
		synctest.Wait()
		got = s.posts["phone"].take()
		if len(got) != 1 || got[0].Title != "Shed: 3 messages, the worst: cellar: "+alarm.Of(alarm.FanFailed).Says ||
			!strings.Contains(got[0].Text, "loft, cellar: over: "+says) {
			t.Errorf("got %+v", got)
		}
	})
}

// TestTheDayIsNamed: a message that was held back for days says of which day it is, by the site's clock.
func TestTheDayIsNamed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := begin(t, journal.NewMemory(), phone)
		defer s.stop()
		s.desk.Adopt(s.services([]notify.Service{phone}), notify.Site{Name: "Shed", Zone: time.FixedZone("", -5*3600), TwelveHour: true})
		time.Sleep(time.Minute)
		s.posts["phone"].break_(errors.New("the wire is cut"))
		time.Sleep(3*time.Hour + 29*time.Minute) // 03:30 UTC on Saturday, 1 January 2000: the evening before where the site is
		s.raise("loft", alarm.ReservoirDry)
		time.Sleep(5 * time.Hour)
		s.end("loft", alarm.ReservoirDry)
		time.Sleep(48 * time.Hour)
		s.posts["phone"].break_(nil)
		time.Sleep(time.Hour)
		synctest.Wait()
		got := s.posts["phone"].take()
		if len(got) != 1 {
			t.Fatalf("got %+v", got)
		}
		says(t, &got[0], "Since Fri 31 Dec 10:30 pm. Priority high", "Back to normal since Sat 1 Jan 3:30 am; it had lasted since Fri 31 Dec 10:30 pm.")
	})
}

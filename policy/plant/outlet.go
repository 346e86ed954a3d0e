package plant

import "gillkeeper/policy/chamber"

// OutletSpec is how one switched outlet behaves.
type OutletSpec struct {
	Role    chamber.Role `json:"role"`
	DelayS  float64      `json:"delay_s"`  // from command to relay
	Reports bool         `json:"reports"`  // tells its state after a change or a command
	Meters  bool         `json:"meters"`   // tells its power
	MeterS  float64      `json:"meter_s"`  // at least that often, and MeterS/10 after a change
	Standby float64      `json:"standby"`  // watts that it meters when off
	MinOnS  float64      `json:"min_on_s"` // what the guard must keep; the outlet only records
	MinOffS float64      `json:"min_off_s"`
	Dims    bool         `json:"dims,omitempty"` // it runs at any level, and reports it; power goes with the level
}

// Outlet is one switched outlet as it runs. It can be copied.
type Outlet struct {
	Spec OutletSpec

	On        bool
	Level     float64 // share of full output while on
	Switches  int     // of the relay
	OnSeconds float64 // of the relay

	part      float64 // of what all outlets of its role give: the chamber's parameters are those of all together
	noise     Noise
	changedAt float64
	changed   bool // ever
	pending   bool
	want      chamber.Order
	dueAt     float64
	offAt     float64 // by its own timer; 0: none
	answer    bool    // owes a report of its state
	meterAt   float64
}

// Violation is a command that switched an outlet sooner than it may be switched.
type Violation struct {
	Plug  int     `json:"plug"`
	At    float64 `json:"at"`    // seconds after the start
	On    bool    `json:"on"`    // switched on, after too short a rest
	After float64 `json:"after"` // seconds since the last switching
}

// command is heard by the outlet.
func (o *Outlet) command(at float64, want chamber.Order) {
	o.pending, o.want, o.dueAt = true, want, at+o.Spec.DelayS
}

// hand is a person's finger on the outlet's button.
func (o *Outlet) hand(at float64, on bool) {
	o.pending, o.offAt = false, 0
	o.answer = true
	o.set(at, chamber.Order{On: on})
}

// set throws the relay and says how long it had rested.
func (o *Outlet) set(at float64, want chamber.Order) (after float64, changed bool) {
	if level := want.Output(); o.Spec.Dims || level == 0 {
		o.Level = level
	} else {
		o.Level = 1
	}
	if want.On == o.On {
		return 0, false
	}
	after, first := at-o.changedAt, !o.changed
	o.On, o.changedAt, o.changed, o.answer = want.On, at, true, true
	o.Switches++
	o.meterAt = min(o.meterAt, at+o.Spec.MeterS/10)
	return after, !first
}

// outletFaults is what is wrong with an outlet now.
type outletFaults struct{ welded, dead, disobeys, load bool }

func outletFaultsAt(faults []Fault, index int, at float64) (f outletFaults) {
	for i := range faults {
		if faults[i].Index != index || !faults[i].Active(at) {
			continue
		}
		switch faults[i].Kind {
		case PlugWelded:
			f.welded = true
		case PlugDead:
			f.dead = true
		case PlugDisobeys:
			f.disobeys = true
		case LoadDead:
			f.load = true
		}
	}
	return f
}

// advance lets dt seconds pass, ending at the given time.
func (o *Outlet) advance(at, dt float64, f outletFaults) (v Violation, violated bool) {
	if o.On {
		o.OnSeconds += dt
	}
	if o.pending && at >= o.dueAt {
		o.pending, o.answer = false, true
		if !f.disobeys && !f.dead && !(f.welded && !o.want.On) {
			o.offAt = 0
			if s := o.want.For.Seconds(); o.want.On && s > 0 {
				o.offAt = at + s
			}
			v, violated = o.judge(at, o.want)
		}
	}
	if o.offAt > 0 && at >= o.offAt {
		o.offAt = 0
		if !f.welded {
			o.set(at, chamber.Order{})
		}
	}
	if f.welded && !o.On {
		o.set(at, chamber.Order{On: true})
	}
	if f.dead && o.On {
		o.set(at, chamber.Order{})
	}
	return v, violated
}

// judge switches by command and says whether that came too soon. A hundredth of a second is forgiven, for clocks.
func (o *Outlet) judge(at float64, want chamber.Order) (Violation, bool) {
	after, changed := o.set(at, want)
	least := o.Spec.MinOnS
	if want.On {
		least = o.Spec.MinOffS
	}
	return Violation{At: at, On: want.On, After: after}, changed && after < least-0.01
}

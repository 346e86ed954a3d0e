package config

import "time"

// journal reads where what must last is kept, and for how long what may be forgotten.
func (r *reader) journal(t *table) Journal {
	days := func(key string) time.Duration {
		return time.Duration(get[float64](r, t, key) * 24 * float64(time.Hour))
	}
	j := Journal{Path: r.env.resolveJournal(get[string](r, t, "path")), Minutes: days("minutes_days"), TenMinutes: days("ten_minutes_days"),
		Hours: days("hours_days"), Events: days("events_days")}
	if j.Minutes > j.TenMinutes {
		r.fault(t, "ten_minutes_days", Fault{What: "is shorter than minutes_days", Allowed: "what is coarser is kept longer: raise it, or lower minutes_days"})
	}
	if j.TenMinutes > j.Hours {
		r.fault(t, "hours_days", Fault{What: "is shorter than ten_minutes_days", Allowed: "what is coarser is kept longer: raise it, or lower ten_minutes_days"})
	}
	return j
}

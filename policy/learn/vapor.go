package learn

// Vapor is what brings vapor to the air of a chamber and takes it away, as its readings have it. Rates are g/m³s.
type Vapor struct {
	OK        bool    // the water of the chamber goes as foreseen, and air goes its usual way
	Astray    bool    // it does not: what was learned of it meanwhile is not so
	Mist      float64 // what the humidifier gives now
	Full      float64 // what it gives at full output
	Evap      float64 // what the crop gives now; below 0: it takes
	Crop      float64 // its exchange of vapor, 1/s
	Give      float64 // what nothing else accounts for
	Moved     float64 // what the moved air would carry were it saturated
	Flow      float64 // air changes by the fan at full speed, 1/s
	Leak      float64 // air changes without it, 1/s
	Fan       float64 // how fast the fan turns, 0..1
	Saturated float64 // what the air holds at most, g/m³
	Room      float64 // relative humidity of the room; 0: it is measured
}

// Vapor gives it for a chamber of which the learner was told these facts last. Without CO2 nothing shows what air moves; and a filter
// that has begun anew says of all that it is other than it was.
func (s *State) Vapor(facts *Facts) (v Vapor) {
	f := facts.clean(s.unmeasuredC())
	if !s.sane() {
		return v
	}
	v.Astray = s.Water.Taken >= jumpAfter && (!s.Fits() || f.Now.Sub(s.LostFrom) < lostHolds) || s.MistWas != 0
	if v.Astray || f.astray() || f.NoCO2 || s.Water.Taken < jumpAfter || f.Now.Sub(s.Water.Last) >= stale {
		return v
	}
	k, w := s.constants(f), &s.Water.X
	v = Vapor{OK: true, Full: k.MistRate, Crop: k.Crop, Give: k.Give, Flow: k.Flow, Leak: k.Leak, Fan: s.Fan}
	v.Mist = s.Mist * k.MistRate * (1 - k.Loss)
	v.Evap = k.Crop * (1 + stirred*s.Fan) * (k.cropSat - w[wVapor])
	v.Saturated = k.full(w[wAirC])
	v.Moved = (k.Flow*s.Fan + k.Leak) * v.Saturated
	if f.RoomRH <= 0 {
		v.Room = w[wRoom]
	}
	return v
}

package policy

// Rejoin brings together a state that had to begin afresh, because the journal could not be read, with the saved one
// that turned up later. What lasts comes from the saved one: crop, alarms, corrections, what was learned, the
// reservoir. What is true at the moment comes from the live one: readings, plugs, detectors. Counters add up, since the
// live ones began at nothing. Nobody's action can be lost by it: while the journal fails, actions are refused.
func (p *Policy) Rejoin(live, saved State) State {
	s := live.clone()
	old := p.Fit(saved)
	s.Now = latest(live.Now, old.Now)
	s.Crop, s.Target, s.Learn, s.Reservoir, s.Alarms, s.Done = old.Crop, old.Target, old.Learn, old.Reservoir, old.Alarms, old.Done
	for i := range s.Sensors {
		was := &old.Sensors[i]
		s.Sensors[i].Calibration, s.Sensors[i].Earlier = was.Calibration, was.Earlier
		s.Sensors[i].Aside = latest(s.Sensors[i].Aside, was.Aside)
	}
	for i := range s.Plugs {
		was, x := &old.Plugs[i], &s.Plugs[i]
		x.OnSeconds += was.OnSeconds
		x.Switches += was.Switches
		x.Duty, x.DutyHours, x.Before, x.BeforeHours = was.Duty, was.DutyHours, was.Before, was.BeforeHours
	}
	for _, was := range old.Totals.InRange {
		t := s.Totals.inRange(was.Quantity, was.Stage)
		t.ObservedSeconds += was.ObservedSeconds
		t.InRangeSeconds += was.InRangeSeconds
		t.DryObserved += was.DryObserved
		t.DryInRange += was.DryInRange
	}
	s.Totals.Harvests = old.Totals.Harvests
	for _, was := range old.Totals.Stages {
		s.Totals.stage(was).Seconds += was.Seconds
	}
	return s
}

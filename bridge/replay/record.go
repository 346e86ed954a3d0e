package replay

import (
	"context"
	"math"
	"slices"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/rehearse"
)

// minutes are the recorded minutes of a stretch.
type minutes struct {
	from    time.Time
	rows    []row
	learned map[string]sum
	on      map[string][]sum // by plug, for each minute: seconds on, of the seconds for which that is known
	names   []string         // of plugs
}

// row is one minute; what was not measured in it is not a number.
type row struct {
	value [2][5]float64 // by place and quantity
	// What was wanted.
	rh     chamber.Band
	tempC  chamber.Band
	co2Max float64 // 0: no maximum
}

type sum struct{ total, weight float64 }

func (s sum) value() float64 { return s.total / s.weight }

func (r *row) of(p chamber.Place, q chamber.Quantity) *float64 { return &r.value[p-chamber.Inside][q] }

// readMinutes takes the stretch from the journal.
func readMinutes(ctx context.Context, from journal.Source, q *Query) (*minutes, error) {
	m := &minutes{from: q.From, rows: make([]row, int(q.To.Sub(q.From)/time.Minute)), learned: map[string]sum{}, on: map[string][]sum{}}
	nan := math.NaN()
	for i := range m.rows {
		r := &m.rows[i]
		r.rh.Aim, r.tempC = nan, chamber.Band{Low: nan, Aim: nan, High: nan}
		for p := range r.value {
			for k := range r.value[p] {
				r.value[p][k] = nan
			}
		}
	}
	for x, err := range from.History(ctx, journal.HistoryQuery{Chamber: q.Spec.Name, From: q.From.Add(-journal.SlowSpan), To: q.To}) {
		if err != nil {
			return nil, err
		}
		m.take(&x)
	}
	return m, nil
}

func (m *minutes) take(x *journal.Minute) {
	span := max(x.Span, time.Minute)
	first := int(math.Floor(x.Start.Sub(m.from).Minutes()))
	last := first + int(span/time.Minute)
	switch {
	case x.Place == journal.PlaceLearned:
		if last > 0 {
			s := m.learned[x.Quantity]
			m.learned[x.Quantity] = sum{s.total + x.Mean*span.Hours(), s.weight + span.Hours()}
		}
		return
	case x.Quantity == journal.PlugOn:
		if m.on[x.Place] == nil {
			m.on[x.Place] = make([]sum, len(m.rows))
		}
		part := span.Minutes()
		for i := max(0, first); i < min(last, len(m.rows)); i++ {
			m.on[x.Place][i] = sum{x.Seconds / part, float64(x.N) / part}
		}
		if last > 0 && !slices.Contains(m.names, x.Place) {
			m.names = append(m.names, x.Place)
		}
		return
	}
	var quantity chamber.Quantity
	if quantity.UnmarshalText([]byte(x.Quantity)) != nil {
		return
	}
	for i := max(0, first); i < min(last, len(m.rows)); i++ {
		r := &m.rows[i]
		switch x.Place {
		case chamber.Inside.String():
			*r.of(chamber.Inside, quantity) = x.Mean
		case chamber.Room.String():
			*r.of(chamber.Room, quantity) = x.Mean
		case journal.PlaceTarget:
			switch quantity {
			case chamber.RelativeHumidity:
				r.rh = chamber.Band{Low: x.Min, Aim: x.Mean, High: x.Max}
			case chamber.CO2:
				r.co2Max = x.Max
			case chamber.Temperature:
				r.tempC = chamber.Band{Low: x.Min, Aim: x.Mean, High: x.Max}
			}
		}
	}
}

// share is for how much of the stretch a quantity is recorded.
func (m *minutes) share(p chamber.Place, q chamber.Quantity) float64 {
	n := 0
	for i := range m.rows {
		if !math.IsNaN(*m.rows[i].of(p, q)) {
			n++
		}
	}
	return float64(n) / float64(max(1, len(m.rows)))
}

// filled is a quantity for every minute, gaps drawn through; nil where less than a tenth of the time is recorded.
func (m *minutes) filled(p chamber.Place, q chamber.Quantity) []float64 {
	if m.share(p, q) < 0.1 {
		return nil
	}
	list := make([]float64, len(m.rows))
	before := -1
	for i := range m.rows {
		v := *m.rows[i].of(p, q)
		list[i] = v
		if math.IsNaN(v) {
			continue
		}
		for k := before + 1; k < i; k++ {
			list[k] = v
			if before >= 0 {
				list[k] = list[before] + (v-list[before])*float64(k-before)/float64(i-before)
			}
		}
		before = i
	}
	for k := before + 1; k < len(list); k++ {
		list[k] = list[before]
	}
	return list
}

func mean(list []float64) float64 {
	total := 0.0
	for _, v := range list {
		total += v
	}
	return total / float64(len(list))
}

// ratedFan is what the fan was rated for then, by the flow that was learned of it and its share of the rating; 0 where
// the journal has not both.
func (m *minutes) ratedFan() float64 {
	flow, ok1 := m.learned[journal.FanFlow]
	share, ok2 := m.learned[journal.FanFlowShare]
	if !ok1 || !ok2 || share.value() <= 0 {
		return 0
	}
	return flow.value() / share.value()
}

// recorded are the figures of the stretch as it was, by minutes, against what was wanted then. Minutes in which nothing was
// wanted, or humidity is not known, do not count: what the plugs did in them was not for the crop, or nobody knows it.
func recorded(ctx context.Context, from journal.Source, q *Query, m *minutes) (rehearse.Figures, error) {
	var sums rehearse.Shares
	counts := make([]bool, len(m.rows))
	for i := int(settle / time.Minute); i < len(m.rows); i++ {
		r := &m.rows[i]
		air := rehearse.Air{RelativeHumidity: *r.of(chamber.Inside, chamber.RelativeHumidity), CO2PPM: *r.of(chamber.Inside, chamber.CO2),
			AirC: *r.of(chamber.Inside, chamber.Temperature), RoomCO2PPM: *r.of(chamber.Room, chamber.CO2)}
		if !math.IsNaN(r.rh.Aim) && !math.IsNaN(air.RelativeHumidity) {
			counts[i] = true
			sums.Add(time.Minute, air, &crop.Target{RelativeHumidity: r.rh, TemperatureC: r.tempC, CO2MaxPPM: r.co2Max})
		}
	}
	f := sums.Figures()
	f.SwitchesPerHour = map[string]float64{}
	for e, err := range from.Events(ctx, journal.EventQuery{Chamber: q.Spec.Name, From: q.From.Add(settle), To: q.To, Kinds: []policy.EventKind{policy.PlugSwitched, policy.PlugByHand}}) {
		if err != nil {
			return f, err
		}
		if i := int(e.Event.At.Sub(m.from) / time.Minute); i >= 0 && i < len(counts) && counts[i] {
			f.SwitchesPerHour[e.Event.Plug] += 1 / f.Hours
		}
	}
	ran := map[chamber.Role]sum{} // a plug may have had another name for a part of the time
	for name, role := range rolesThen(q) {
		on := ran[role]
		for i, s := range m.on[name] {
			if counts[i] {
				on = sum{on.total + s.total, on.weight + s.weight}
			}
		}
		ran[role] = on
	}
	if on := ran[chamber.ExhaustFan]; on.weight > 0 {
		f.FanHoursPerDay = on.value() * 24
	}
	if on := ran[chamber.Humidifier]; on.weight > 0 {
		if out, ok := m.learned[journal.MistDrawn]; ok {
			f.WaterLitersPerDay = on.value() * 24 * out.value() / 1000
		}
	}
	return f, nil
}

// rolesThen gives the roles of the plugs that the record may name: by the configuration of then, or for want of it by the one given and
// by what the daemon had last.
func rolesThen(q *Query) map[string]chamber.Role {
	roles, then := map[string]chamber.Role{}, q.Was
	if then == nil {
		then = q.Spec
		for i := range q.State.Plugs {
			roles[q.State.Plugs[i].Name] = q.State.Plugs[i].Role
		}
	}
	for i := range then.Plugs {
		roles[then.Plugs[i].Name] = then.Plugs[i].Role
	}
	return roles
}

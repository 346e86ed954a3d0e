package config

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gillkeeper/bridge/pointer"
	"gillkeeper/policy/chamber"
)

// chambers reads every chamber and judges them together.
func (r *reader) chambers(cfg *Config, tables []*table) {
	names := map[string]*table{}
	var traffic traffic
	for _, t := range tables {
		c := r.chamber(t, cfg)
		r.unique(names, t, "name", c.Spec.Name, "chamber names")
		r.sense(t, &c)
		traffic.add(t, &c)
		cfg.Chambers = append(cfg.Chambers, c)
	}
	r.crossings(&traffic)
}

// unique complains of a name that was used before.
func (r *reader) unique(seen map[string]*table, t *table, key, name, kind string) {
	if name == "" || t.faulty[key] {
		return
	}
	// Homie knows no underscore, so two names that differ in nothing else would meet there.
	folded := strings.ReplaceAll(name, "_", "-")
	if first, ok := seen[folded]; ok {
		f := Fault{What: fmt.Sprintf("is taken by %s on line %d", first.where, first.line), Allowed: kind + " are unique"}
		if !r.given(t, key) {
			f.What = fmt.Sprintf("is %s by default, and that %s", quote(name), f.What)
			f.Allowed += ": give each a name"
		}
		r.fault(t, key, f)
		return
	}
	seen[folded] = t
}

func (r *reader) chamber(t *table, cfg *Config) Chamber {
	site, domain := &cfg.Site, cfg.Broker.Homie.Domain
	c := Chamber{Spec: &chamber.Spec{
		Name:        get[string](r, t, "name"),
		VolumeM3:    get[float64](r, t, "volume_m3"),
		AutoAdvance: get[bool](r, t, "auto_advance"),
		AltitudeM:   site.AltitudeM,
		Zone:        site.Zone,
	}}
	names := map[string]*table{}
	for _, st := range t.tables["sensor"] {
		s, b := r.sensor(st, domain)
		r.unique(names, st, "name", s.Name, "sensor names in a chamber")
		c.Spec.Sensors, c.Sensors = append(c.Spec.Sensors, s), append(c.Sensors, b)
	}
	names = map[string]*table{}
	for _, pt := range t.tables["plug"] {
		p, b := r.plug(pt, domain)
		r.unique(names, pt, "name", p.Name, "plug names in a chamber")
		c.Spec.Plugs, c.Plugs = append(c.Spec.Plugs, p), append(c.Plugs, b)
	}
	for i, pt := range t.tables["plug"] {
		if first := c.Spec.First(i); first != i && c.Spec.Plugs[i].Role != 0 {
			r.abreast(pt, &c.Spec.Plugs[first], &c.Spec.Plugs[i])
		}
	}
	for i := range c.Spec.Plugs { // the first has the times of all by now
		p, first := &c.Spec.Plugs[i], &c.Spec.Plugs[c.Spec.First(i)]
		p.MinOn, p.MinOff, p.MaxOn = first.MinOn, first.MinOff, first.MaxOn
	}
	return c
}

// abreast judges a further plug of a role, which does as the first of it: the first gets the longer of their shortest times and the
// shorter of their longest runs.
func (r *reader) abreast(t *table, first, p *chamber.Plug) {
	first.MinOn, first.MinOff = max(first.MinOn, p.MinOn), max(first.MinOff, p.MinOff)
	if first.MaxOn == 0 || p.MaxOn > 0 && p.MaxOn < first.MaxOn {
		first.MaxOn = p.MaxOn
	}
	together := fmt.Sprintf("runs together with %s", quote(first.Name))
	if first.MaxOn > 0 && first.MaxOn <= first.MinOn && !t.faulty["min_on"] && !t.faulty["max_on"] {
		r.faultAt(t.line, t.where, Fault{What: fmt.Sprintf("%s, and one of them must run for at least %s, one for at most %s", together,
			shortDuration(first.MinOn), shortDuration(first.MaxOn)), Allowed: "the longest run is longer than the shortest: change min_on or max_on"})
	}
	switch p.Role {
	case chamber.Lamp, chamber.CirculationFan: // always at their highest level
		return
	case chamber.Humidifier:
		r.faultAt(t.line, t.where, Fault{Warning: true, What: together + ", and only the water of that one is watched",
			Allowed: "fill both at the same time, and put the one that is empty sooner first"})
	}
	if p.Modulates() != first.Modulates() && !t.faulty["level_payload"] {
		r.faultAt(t.line, t.where, Fault{Warning: true, What: together + ", and only one of them can be dimmed",
			Allowed: "the other runs at full output whenever that one runs: let both be dimmed, or neither"})
	}
}

func (r *reader) sensor(t *table, domain string) (chamber.Sensor, SensorBinding) {
	s := chamber.Sensor{
		Name:                get[string](r, t, "name"),
		Quantity:            quantityOf(r, t),
		Place:               get[chamber.Place](r, t, "place"),
		MaxAge:              get[time.Duration](r, t, "max_age"),
		CompensatesPressure: get[bool](r, t, "compensates_pressure"),
	}
	if s.Name == "" && s.Quantity != 0 {
		s.Name = s.Place.String() + "-" + s.Quantity.String()
	}
	b := SensorBinding{
		Topic:        get[string](r, t, "topic"),
		HasPointer:   r.given(t, "pointer"),
		Pointer:      get[pointer.Pointer](r, t, "pointer"),
		SenMLName:    get[string](r, t, "senml_name"),
		Unit:         r.unit(t, s.Quantity),
		AliveTopic:   get[string](r, t, "alive_topic"),
		AlivePayload: get[string](r, t, "alive_payload"),
		Homie:        r.homieRef(t, "homie", domain, "topic", "pointer", "senml_name", "alive_topic"),
	}
	if b.Homie != nil {
		b.Topic, b.Homie.UnitGiven = b.Homie.Topic(), r.given(t, "unit")
	}
	s.Device = deviceOf(&b)
	if b.HasPointer && b.SenMLName != "" {
		r.fault(t, "senml_name", Fault{What: "is given together with pointer", Allowed: "a payload is read one way or the other: remove one"})
	}
	if !s.CompensatesPressure && s.Quantity != chamber.CO2 && s.Quantity != 0 {
		r.fault(t, "compensates_pressure", Fault{What: "has no meaning for " + s.Quantity.String(), Allowed: "only co2 sensors feel the pressure: remove it", Warning: true})
	}
	return s, b
}

// unit gives a sensor's unit, or its quantity's default.
func (r *reader) unit(t *table, q chamber.Quantity) Unit {
	fitting := unitsFor(q)
	if len(fitting) == 0 {
		return get[Unit](r, t, "unit") // the quantity is faulty already
	}
	if !r.given(t, "unit") {
		return fitting[0]
	}
	u := get[Unit](r, t, "unit")
	if units[u].quantity != q {
		r.fault(t, "unit", Fault{What: "is not a unit of " + q.String(), Allowed: quotedList(words(fitting))})
	}
	return u
}

// deviceOf names the device of a sensor by its topic: the whole where one message holds several values, else all but
// its last level. What shares a spot is only taken from it where each quantity is there once.
func deviceOf(b *SensorBinding) string {
	if i := strings.LastIndexByte(b.Topic, '/'); i > 0 && !b.HasPointer && b.SenMLName == "" {
		return b.Topic[:i]
	}
	return b.Topic
}

func (r *reader) plug(t *table, domain string) (chamber.Plug, PlugBinding) {
	role := roleOf(r, t)
	p := chamber.Plug{
		Name:            get[string](r, t, "name"),
		Role:            role,
		OutputGPerH:     get[float64](r, t, "output_g_per_h"),
		FlowM3PerH:      get[float64](r, t, "flow_m3_per_h"),
		ReservoirLiters: get[float64](r, t, "reservoir_liters"),
		WarnBefore:      get[time.Duration](r, t, "warn_before"),
		CleanAfter:      get[time.Duration](r, t, "clean_after"),
		CleanLiters:     get[float64](r, t, "clean_after_liters"),

		SwitchingsPerDay: get[float64](r, t, "switchings_per_day"),
		Reports:          r.given(t, "state_topic") || r.given(t, "homie"),
		Meters:           r.given(t, "power_topic") || r.given(t, "homie_power"),
		Timed:            r.given(t, "timed_on_payload"),
	}
	if role != chamber.Humidifier { // defaults that only a humidifier has; what was given is a fault
		p.WarnBefore, p.CleanAfter, p.CleanLiters = 0, 0, 0
	}
	if p.Name == "" && role != 0 {
		p.Name = role.String()
	}
	r.pace(t, &p)
	r.fitting(t, &p)
	b := r.binding(t, domain)
	r.levels(t, &p, &b)
	return p, b
}

// stepsByDefault is how many levels a plug gets that can be set to any: a tenth of its range is finer than control
// needs.
const stepsByDefault = 10

// leastShare is the share of full output below which fans stand still and disks give no mist: common practice.
const leastShare = 0.2

// levels reads what a plug that modulates can be set to.
func (r *reader) levels(t *table, p *chamber.Plug, b *PlugBinding) {
	full, least := get[float64](r, t, "level_full"), get[float64](r, t, "min_level")
	list := slices.Clone(get[[]float64](r, t, "levels"))
	if !r.given(t, "level_payload") {
		for _, key := range []string{"level_full", "levels", "min_level"} {
			if r.given(t, key) && !t.faulty["level_payload"] {
				r.fault(t, key, Fault{What: "has no level_payload beside it", Allowed: "set level_payload, such as \"{level}\", or remove " + key})
			}
		}
		return
	}
	if r.given(t, "levels") && r.given(t, "min_level") {
		r.fault(t, "min_level", Fault{What: "is given together with levels", Allowed: "the first of levels is the lowest: remove one"})
	}
	for _, key := range []string{"on_payload", "timed_on_payload", "state_on"} {
		if r.given(t, key) && get[string](r, t, key) != "" {
			r.fault(t, key, Fault{What: "is given together with level_payload", Allowed: "a number says it: remove one; level_payload may have {seconds} in it"})
		}
	}
	if n := len(list); n > 0 && list[n-1] > full {
		r.fault(t, "levels", Fault{What: "has " + number(list[n-1]) + " in it, more than level_full", Allowed: "level_full is " + number(full) + ": raise it or lower the level"})
		return
	}
	if least == 0 {
		least = leastShare * full
	}
	if least > full {
		r.fault(t, "min_level", Fault{What: "is above level_full", Allowed: "at most " + number(full)})
		return
	}
	for i := 0; len(list) == 0 || i < stepsByDefault && !r.given(t, "levels"); i++ {
		v := least + (full-least)*float64(i)/(stepsByDefault-1)
		if full >= fineBelow {
			v = math.Round(v)
		}
		if n := len(list); n == 0 || v > list[n-1] {
			list = append(list, v)
		}
	}
	for i := range list {
		list[i] /= full
	}
	p.Levels, p.Timed = list, strings.Contains(b.LevelPayload, secondsMark)
}

func (r *reader) binding(t *table, domain string) PlugBinding {
	b := PlugBinding{
		CommandTopic:    get[string](r, t, "command_topic"),
		OnPayload:       get[string](r, t, "on_payload"),
		OffPayload:      get[string](r, t, "off_payload"),
		TimedOnPayload:  get[string](r, t, "timed_on_payload"),
		LevelPayload:    get[string](r, t, "level_payload"),
		StateTopic:      get[string](r, t, "state_topic"),
		HasStatePointer: r.given(t, "state_pointer"),
		StatePointer:    get[pointer.Pointer](r, t, "state_pointer"),
		StateOn:         get[string](r, t, "state_on"),
		StateOff:        get[string](r, t, "state_off"),
		PowerTopic:      get[string](r, t, "power_topic"),
		HasPowerPointer: r.given(t, "power_pointer"),
		PowerPointer:    get[pointer.Pointer](r, t, "power_pointer"),
		Homie:           r.homieRef(t, "homie", domain, "command_topic", "state_topic", "state_pointer"),
		HomiePower:      r.homieRef(t, "homie_power", domain, "power_topic", "power_pointer"),
	}
	if b.LevelPayload != "" {
		b.OnPayload, b.LevelFull = "", get[float64](r, t, "level_full")
		if !r.given(t, "off_payload") {
			b.OffPayload = ""
		}
	}
	r.fillHomie(t, &b)
	if b.StateOn == "" {
		b.StateOn = b.OnPayload
	}
	if b.StateOff == "" {
		b.StateOff = b.OffPayload
	}
	if b.OnPayload == b.OffPayload && b.LevelPayload == "" {
		r.fault(t, "off_payload", Fault{What: "is the same as on_payload", Allowed: "the plug must tell the two apart"})
	}
	if b.StateOn == b.StateOff && b.OnPayload != b.OffPayload && b.LevelPayload == "" {
		r.fault(t, "state_off", Fault{What: "is the same as the word for on", Allowed: "state_on and state_off differ"})
	}
	for _, key := range []string{"state_pointer", "state_on", "state_off", "power_pointer"} {
		needs, homie := "state_topic", "homie"
		if key == "power_pointer" {
			needs, homie = "power_topic", "homie_power"
		}
		if r.given(t, key) && !r.given(t, needs) && !r.given(t, homie) && !t.faulty[needs] {
			r.fault(t, key, Fault{What: "has no " + needs + " beside it", Allowed: "set " + needs + " or remove " + key})
		}
	}
	return b
}

// pace reads how a plug may be switched.
func (r *reader) pace(t *table, p *chamber.Plug) {
	usual := paces[p.Role]
	p.MinOn, p.MinOff, p.MaxOn = get[time.Duration](r, t, "min_on"), get[time.Duration](r, t, "min_off"), get[time.Duration](r, t, "max_on")
	if !r.given(t, "min_on") {
		p.MinOn = usual.minOn
	}
	if !r.given(t, "min_off") {
		p.MinOff = usual.minOff
	}
	if !r.given(t, "max_on") {
		p.MaxOn = usual.maxOn
		if p.MaxOn > 0 && p.MaxOn <= p.MinOn {
			r.fault(t, "min_on", Fault{What: "is not shorter than the longest run of " + shortDuration(p.MaxOn), Allowed: "shorten it, or set max_on"})
		}
		return
	}
	bound := maxSpan
	switch p.Role {
	case chamber.Humidifier:
		bound = mistSpan
	case chamber.Heater:
		bound = heatSpan
	}
	if !bound.holds(p.MaxOn) {
		r.fault(t, "max_on", Fault{What: "is not for a " + p.Role.String(), Allowed: bound.String()})
	} else if p.MaxOn > 0 && p.MaxOn <= p.MinOn {
		r.fault(t, "max_on", Fault{What: "is not longer than min_on of " + shortDuration(p.MinOn), Allowed: "the longest run is longer than the shortest"})
	}
}

// fitting complains of numbers that a role does not have, and of a name that is another role's.
func (r *reader) fitting(t *table, p *chamber.Plug) {
	if p.Role == 0 {
		return // faulty already
	}
	isFan := p.Role == chamber.ExhaustFan || p.Role == chamber.CirculationFan
	for _, k := range []struct {
		key string
		ok  bool
		who string
	}{
		{"output_g_per_h", p.Role == chamber.Humidifier, "a humidifier"},
		{"reservoir_liters", p.Role == chamber.Humidifier, "a humidifier"},
		{"warn_before", p.Role == chamber.Humidifier, "a humidifier"},
		{"clean_after", p.Role == chamber.Humidifier, "a humidifier"},
		{"clean_after_liters", p.Role == chamber.Humidifier, "a humidifier"},
		{"flow_m3_per_h", isFan, "a fan"},
		{"switchings_per_day", p.Role == chamber.Humidifier || p.Role == chamber.ExhaustFan, "a humidifier or an exhaust_fan"},
	} {
		if r.given(t, k.key) && !k.ok {
			r.fault(t, k.key, Fault{What: "has no meaning for " + article(p.Role.String()), Allowed: "only " + k.who + " has one: remove it"})
		}
	}
	for _, role := range chamber.Roles() {
		if p.Name == role.String() && role != p.Role && !t.faulty["name"] {
			r.fault(t, "name", Fault{What: "is the word of another role than its own, " + p.Role.String(), Allowed: "commands take a plug by name or role: name it otherwise"})
		}
	}
}

func article(noun string) string {
	if strings.ContainsRune("aeiou", rune(noun[0])) {
		return "an " + noun
	}
	return "a " + noun
}

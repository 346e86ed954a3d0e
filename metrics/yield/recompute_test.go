package yield_test

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"
	"testing"
	"time"
)

// The arithmetic here is written a second time, from the CSV files alone, hour by hour and as plainly as possible: it
// uses nothing of the package but the finished report, as JSON.

type rows []map[string]string

func readCSV(t testing.TB, text string) (out rows) {
	t.Helper()
	all, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range all[1:] {
		m := map[string]string{}
		for i, name := range all[0] {
			m[name] = line[i]
		}
		out = append(out, m)
	}
	return out
}

func (r rows) where(pairs ...string) (out rows) {
	for _, m := range r {
		ok := true
		for i := 0; i < len(pairs); i += 2 {
			ok = ok && m[pairs[i]] == pairs[i+1]
		}
		if ok {
			out = append(out, m)
		}
	}
	return out
}

func num(s string) float64 {
	if s == "" {
		return math.NaN()
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		panic(err)
	}
	return v
}

func at(s string) float64 {
	v, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		panic(err)
	}
	return float64(v.Unix())
}

// hourOf is one aggregate with the part of it that lies in a window.
type hourOf struct {
	row     map[string]string
	seconds float64
}

// near gives the hours around a stretch of time; the recorded season has every hour of each chamber.
func near(hours rows, from, to float64) rows {
	first := at(hours[0]["start"])
	i, j := int((from-first)/3600), int((to-first)/3600)+1
	return hours[max(i, 0):min(j, len(hours))]
}

// windowOf lists the aggregates of one stage of one flush.
func windowOf(f map[string]rows, batch map[string]string, flush, stage string) (list []hourOf, seconds float64) {
	end := math.Inf(1)
	if c := f["flushes"].where("batch", batch["batch"], "flush", flush); len(c) > 0 && c[0]["closed"] != "" && stage != "rest" {
		end = at(c[0]["closed"])
	}
	for _, s := range f["stages"].where("batch", batch["batch"], "flush", flush, "stage", stage) {
		from, to := at(s["from"]), math.Min(at(s["to"]), end)
		seconds += math.Max(0, to-from)
		for _, h := range near(f["climate:"+batch["chamber"]], from, to) {
			start := at(h["start"])
			if part := math.Min(to, start+num(h["seconds"])) - math.Max(from, start); part > 0 {
				list = append(list, hourOf{h, part})
			}
		}
	}
	return list, seconds
}

// recompute gives the figures of one window by their names in the report's JSON.
func recompute(list []hourOf, seconds float64, want map[string]string) map[string]float64 {
	out := map[string]float64{"hours": seconds / 3600}
	mean := func(col string, scale float64) (mean, hours float64) {
		sum, n := 0.0, 0.0
		for _, h := range list {
			if v := num(h.row[col]); !math.IsNaN(v) {
				sum, n = sum+v*h.seconds, n+h.seconds
			}
		}
		return scale * sum / n, sum / 3600
	}
	share := func(col string, held func(v float64) bool) (share, hours float64) {
		yes, n := 0.0, 0.0
		for _, h := range list {
			if v := num(h.row[col]); !math.IsNaN(v) {
				n += h.seconds
				if held(v) {
					yes += h.seconds
				}
			}
		}
		return yes / n, yes / 3600
	}
	out["mean_relative_humidity"], _ = mean("relative_humidity", 1)
	out["mean_temperature_c"], out["degree_hours"] = mean("temperature_c", 1)
	out["mean_co2_ppm"], _ = mean("co2_ppm", 1)
	out["mean_vapor_pressure_deficit_pa"], _ = mean("vapor_pressure_deficit_pa", 1)
	out["air_changes_per_hour"], out["air_changes"] = mean("air_changes_per_hour", 1)
	out["light_hours_per_day"], out["light_hours"] = mean("light_share", 24)
	_, out["respiration_g"] = mean("co2_generation_g_per_h", 1)
	low, high, limit := num(want["relative_humidity_low"]), num(want["relative_humidity_high"]), num(want["co2_max_ppm"])
	out["relative_humidity_in_range"], _ = share("relative_humidity", func(v float64) bool { return low <= v && v <= high })
	out["temperature_in_range"], _ = share("temperature_c", func(v float64) bool {
		return num(want["temperature_low_c"]) <= v && v <= num(want["temperature_high_c"])
	})
	out["co2_in_range"], _ = share("co2_ppm", func(v float64) bool { return v <= limit })
	out["co2_above_limit"], out["co2_above_limit_hours"] = share("co2_ppm", func(v float64) bool { return v > limit })
	run := 0.0
	out["longest_dry_dip_hours"] = 0
	for _, h := range list {
		if run += h.seconds / 3600; num(h.row["relative_humidity"]) >= low {
			run = 0
		}
		out["longest_dry_dip_hours"] = math.Max(out["longest_dry_dip_hours"], run)
	}
	return out
}

// csvAndReport gives the recorded season's files, with the climate of each chamber besides, and the report of it as JSON.
func csvAndReport(t *testing.T) (f map[string]rows, report []byte) {
	t.Helper()
	f = map[string]rows{}
	for name, text := range files(t, recorded(t)) {
		f[strings.TrimSuffix(name, ".csv")] = readCSV(t, text)
	}
	for _, c := range f["chambers"] {
		f["climate:"+c["chamber"]] = f["climate"].where("chamber", c["chamber"])
	}
	report, err := json.Marshal(reported(t))
	if err != nil {
		t.Fatal(err)
	}
	return f, report
}

// TestEveryFigureFromTheCSV works every figure of the report out again.
func TestEveryFigureFromTheCSV(t *testing.T) {
	f, text := csvAndReport(t)
	var got map[string][]map[string]any
	dec := json.NewDecoder(strings.NewReader(string(text)))
	var all map[string]json.RawMessage
	if err := dec.Decode(&all); err != nil {
		t.Fatal(err)
	}
	got = map[string][]map[string]any{}
	for _, key := range []string{"chambers", "batches", "flushes", "relations", "alarms"} {
		var list []map[string]any
		if err := json.Unmarshal(all[key], &list); err != nil {
			t.Fatal(key, err)
		}
		got[key] = list
	}
	c := checker{t: t}
	efficiency := c.flushes(f, got["flushes"])
	c.batches(f, got["batches"])
	c.chambers(f, got["chambers"])
	c.alarms(f, got["alarms"])
	c.relations(got["flushes"], got["relations"], efficiency)
	t.Logf("%d figures worked out again", c.n)
	if c.n < 1900 {
		t.Errorf("only %d figures were looked at", c.n)
	}
}

type checker struct {
	t *testing.T
	n int
}

// same compares a figure of the report with one that was worked out here; NaN stands for none.
func (c *checker) same(what string, got any, want float64) {
	c.n++
	v, ok := got.(float64)
	switch {
	case !ok && math.IsNaN(want):
	case !ok || math.IsNaN(want) || math.Abs(v-want) > 1e-9*(1+math.Abs(want)):
		c.t.Errorf("%s is %v in the report and %.12g here", what, got, want)
	}
}

func (c *checker) flushes(f map[string]rows, got []map[string]any) map[string]float64 {
	efficiency := map[string]float64{}
	groups := map[string][]float64{}
	for _, h := range got {
		name, flush := h["batch"].(string), fmt.Sprint(h["flush"])
		batch := f["batches"].where("batch", name)[0]
		fresh := 0.0
		for _, p := range f["pickings"].where("batch", name, "flush", flush) {
			fresh += num(p["fresh_g"])
		}
		key := name + " flush " + flush
		c.same(key+" fresh_g", h["fresh_g"], fresh)
		efficiency[key] = fresh / (1000 * num(batch["dry_kg"]))
		c.same(key+" biological_efficiency", h["biological_efficiency"], efficiency[key])
		groups[batch["species"]+flush] = append(groups[batch["species"]+flush], efficiency[key])
		for _, x := range h["conditions"].([]any) {
			cond := x.(map[string]any)
			stage := cond["stage"].(string)
			list, seconds := windowOf(f, batch, flush, stage)
			want := map[string]string{}
			if w := f["wants"].where("species", batch["species"], "stage", stage); len(w) > 0 {
				want = w[0]
			}
			for figure, v := range recompute(list, seconds, want) {
				if want["relative_humidity_low"] == "" && (strings.Contains(figure, "range") || strings.Contains(figure, "limit") || strings.Contains(figure, "dip")) {
					continue
				}
				if want["co2_max_ppm"] == "" && (strings.Contains(figure, "limit") || figure == "co2_in_range") ||
					want["temperature_high_c"] == want["temperature_low_c"] && figure == "temperature_in_range" {
					v = math.NaN()
				}
				c.same(key+" "+stage+" "+figure, cond[figure], v)
			}
		}
	}
	for _, h := range got {
		key := fmt.Sprint(h["batch"], " flush ", h["flush"])
		c.same(key+" relative", h["relative_to_median"], efficiency[key]/middle(groups[fmt.Sprint(h["species"], h["flush"])]))
	}
	return efficiency
}

func middle(v []float64) float64 {
	v = append([]float64(nil), v...)
	sort.Float64s(v)
	if n := len(v); n%2 == 1 {
		return v[n/2]
	}
	return (v[len(v)/2-1] + v[len(v)/2]) / 2
}

func (c *checker) batches(f map[string]rows, got []map[string]any) {
	for _, b := range got {
		name := b["batch"].(string)
		batch := f["batches"].where("batch", name)[0]
		fresh := 0.0
		for _, p := range f["pickings"].where("batch", name) {
			fresh += num(p["fresh_g"])
		}
		be := fresh / (1000 * num(batch["dry_kg"]))
		c.same(name+" efficiency", b["biological_efficiency"], be)
		crop := f["crops"].where("species", batch["species"])[0]
		want := "within"
		if be < num(crop["biological_efficiency_low"]) {
			want = "below"
		} else if be > num(crop["biological_efficiency_high"]) {
			want = "above"
		}
		if c.n++; b["standing"] != want {
			c.t.Errorf("%s is %v the range, not %s", name, b["standing"], want)
		}
	}
}

func (c *checker) chambers(f map[string]rows, got []map[string]any) {
	for _, u := range got {
		name := u["chamber"].(string)
		sum := func(col string, of func(v, seconds float64) float64) (s float64) {
			for _, h := range f["climate:"+name] {
				s += of(num(h[col]), num(h["seconds"]))
			}
			return s
		}
		fresh := 0.0
		for _, b := range f["batches"].where("chamber", name) {
			for _, p := range f["pickings"].where("batch", b["batch"]) {
				fresh += num(p["fresh_g"]) / 1000
			}
		}
		plain := func(v, _ float64) float64 { return v / 1000 }
		hours := func(v, s float64) float64 { return v * s / 3600 }
		water, energy := sum("water_g", plain), sum("energy_wh", plain)
		c.same(name+" fresh", u["fresh_kg"], fresh)
		c.same(name+" water", u["water_l"], water)
		c.same(name+" energy", u["energy_kwh"], energy)
		c.same(name+" water per kg", u["water_l_per_kg"], water/fresh)
		c.same(name+" energy per kg", u["energy_kwh_per_kg"], energy/fresh)
		c.same(name+" mist", u["humidifier_hours"], sum("humidifier_share", hours))
		c.same(name+" fan", u["exhaust_fan_hours"], sum("exhaust_fan_share", hours))
		c.same(name+" light", u["light_hours"], sum("light_share", hours))
	}
}

func (c *checker) alarms(f map[string]rows, got []map[string]any) {
	for _, a := range got {
		name, alarm := a["chamber"].(string), a["alarm"].(string)
		hours, longest, over, dry, stale := 0.0, 0.0, 0.0, 0.0, 0.0
		list := f["alarms"].where("chamber", name, "alarm", alarm)
		touched := map[string]bool{}
		for _, x := range list {
			from, to := at(x["from"]), at(x["to"])
			hours += (to - from) / 3600
			longest = math.Max(longest, (to-from)/3600)
			for _, b := range f["batches"].where("chamber", name) {
				for _, s := range f["stages"].where("batch", b["batch"]) {
					lo, hi := math.Max(from, at(s["from"])), math.Min(to, at(s["to"]))
					if s["stage"] != "pinning" && s["stage"] != "fruiting" || hi <= lo {
						continue
					}
					touched[b["batch"]+s["flush"]] = true
					over += (hi - lo) / 3600
					want := f["wants"].where("species", b["species"], "stage", s["stage"])[0]
					for _, h := range near(f["climate:"+name], lo, hi) {
						start := at(h["start"])
						part := (math.Min(hi, start+num(h["seconds"])) - math.Max(lo, start)) / 3600
						if part > 0 && num(h["relative_humidity"]) < num(want["relative_humidity_low"]) {
							dry += part
						}
						if part > 0 && num(h["co2_ppm"]) > num(want["co2_max_ppm"]) {
							stale += part
						}
					}
				}
			}
		}
		what := name + " " + alarm
		c.same(what+" times", a["times"], float64(len(list)))
		c.same(what+" hours", a["hours"], hours)
		c.same(what+" longest", a["longest_hours"], longest)
		c.same(what+" crop hours", a["crop_hours"], over) // in this season no two batches pin or fruit at once
		c.same(what+" flushes", a["flushes"], float64(len(touched)))
		c.same(what+" dry", a["dry_hours"], dry)
		c.same(what+" stale", a["co2_above_limit_hours"], stale)
	}
}

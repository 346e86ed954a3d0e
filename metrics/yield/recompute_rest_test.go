package yield_test

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
)

// TestNoFigureLeftOut works out what TestEveryFigureFromTheCSV leaves, and fails on a number of the report that neither knows.
func TestNoFigureLeftOut(t *testing.T) {
	f, text := csvAndReport(t)
	var all map[string]any
	if err := json.Unmarshal(text, &all); err != nil {
		t.Fatal(err)
	}
	list := func(key string) (out []map[string]any) {
		for _, x := range all[key].([]any) {
			out = append(out, x.(map[string]any))
		}
		return out
	}
	c := checker{t: t}
	for _, u := range list("chambers") {
		seconds := 0.0
		for _, h := range f["climate:"+u["chamber"].(string)] {
			seconds += num(h["seconds"])
		}
		c.same("hours of a chamber", u["hours"], seconds/3600)
	}
	c.ranges(f, list("batches"), list("flushes"))
	c.windows(f, list("flushes"))
	c.points(list("relations"), list("flushes"))
	for _, x := range list("too_few") { // batches of two flushes each, handed out anew: n! orders
		batches, flushes, orders := 0.0, 0.0, 1.0
		for _, b := range f["batches"].where("species", x["species"].(string)) {
			batches, flushes, orders = batches+1, flushes+float64(len(f["flushes"].where("batch", b["batch"]))), orders*(batches+1)
		}
		c.same("batches that are too few", x["batches"], batches)
		c.same("their flushes", x["flushes"], flushes)
		c.same("their orders", x["orders"], orders)
		c.same("the orders needed", x["orders_needed"], 120) // 5!, as README says
	}
	t.Logf("%d figures worked out again", c.n)

	known := " false_discovery_level flushes.flush relations.points.flush batches.flushes batches.dry_kg " + // as they came
		"chambers.hours chambers.fresh_kg chambers.water_l chambers.energy_kwh chambers.humidifier_hours chambers.exhaust_fan_hours chambers.light_hours " +
		"chambers.water_l_per_kg chambers.energy_kwh_per_kg batches.fresh_g batches.biological_efficiency batches.expected_low batches.expected_high " +
		"flushes.pickings flushes.fresh_g flushes.biological_efficiency flushes.expected_low flushes.expected_high flushes.relative_to_median flushes.conditions.observed " +
		"relations.flushes relations.batches relations.r relations.r_low relations.r_high relations.p relations.orders relations.q relations.least_third relations.most_third " +
		"relations.points.x relations.points.relative too_few.batches too_few.flushes too_few.orders too_few.orders_needed " +
		"alarms.times alarms.hours alarms.longest_hours alarms.crop_hours alarms.flushes alarms.dry_hours alarms.co2_above_limit_hours "
	for figure := range recompute(nil, 0, map[string]string{}) {
		known += "flushes.conditions." + figure + " "
	}
	unknown := map[string]bool{}
	numbers("", all, func(key string) {
		if !strings.Contains(known, " "+key+" ") {
			unknown[key] = true
		}
	})
	for key := range unknown {
		t.Errorf("nothing works out %s a second time", key)
	}
}

// numbers tells the path of every number.
func numbers(path string, v any, tell func(path string)) {
	switch v := v.(type) {
	case map[string]any:
		for key, x := range v {
			numbers(strings.TrimPrefix(path+"."+key, "."), x, tell)
		}
	case []any:
		for _, x := range v {
			numbers(path, x, tell)
		}
	case float64:
		tell(path)
	}
}

// ranges: what was picked, beside what a handbook lets expect. How it divides over flushes stands in words in the season's
// own crops.csv.
func (c *checker) ranges(f map[string]rows, batches, flushes []map[string]any) {
	divides := map[string][]float64{"pleurotus-ostreatus": {0.55, 0.30, 0.15}}
	for _, b := range batches {
		fresh := 0.0
		for _, p := range f["pickings"].where("batch", b["batch"].(string)) {
			fresh += num(p["fresh_g"])
		}
		crop := f["crops"].where("species", b["species"].(string))[0]
		c.same("fresh_g of a batch", b["fresh_g"], fresh)
		c.same("expected_low of a batch", b["expected_low"], num(crop["biological_efficiency_low"]))
		c.same("expected_high of a batch", b["expected_high"], num(crop["biological_efficiency_high"]))
	}
	for _, h := range flushes {
		name, flush := h["batch"].(string), int(h["flush"].(float64))
		key := fmt.Sprint(name, " flush ", flush)
		list := f["pickings"].where("batch", name, "flush", fmt.Sprint(flush))
		c.same(key+" pickings", h["pickings"], float64(len(list)))
		c.moment(key+" first picking", h["first_picking"], list[0]["at"])
		c.moment(key+" last picking", h["last_picking"], list[len(list)-1]["at"])
		closed := f["flushes"].where("batch", name, "flush", fmt.Sprint(flush))
		if c.n++; h["final"] != (len(closed) > 0 && closed[0]["closed"] != "") {
			c.t.Errorf("%s: final is %v", key, h["final"])
		}
		low, high, standing := math.NaN(), math.NaN(), any(nil)
		if share := divides[h["species"].(string)]; flush <= len(share) {
			crop := f["crops"].where("species", h["species"].(string))[0]
			low, high = share[flush-1]*num(crop["biological_efficiency_low"]), share[flush-1]*num(crop["biological_efficiency_high"])
			switch be := h["biological_efficiency"].(float64); { // compared with the CSV before
			case be < low:
				standing = "below"
			case be > high:
				standing = "above"
			default:
				standing = "within"
			}
		}
		c.same(key+" expected_low", h["expected_low"], low)
		c.same(key+" expected_high", h["expected_high"], high)
		if c.n++; fmt.Sprint(h["standing"]) != fmt.Sprint(standing) && !(standing == nil && fmt.Sprint(h["standing"]) == "") {
			c.t.Errorf("%s is %v the range, not %v", key, h["standing"], standing)
		}
	}
}

// moment compares a moment with the CSV's.
func (c *checker) moment(what string, got any, want string) {
	if c.n++; got == nil || at(got.(string)) != at(want) {
		c.t.Errorf("%s is %v in the report and %s here", what, got, want)
	}
}

// windows: how much of each stage was observed, and from when to when it was.
func (c *checker) windows(f map[string]rows, flushes []map[string]any) {
	for _, h := range flushes {
		name, flush := h["batch"].(string), fmt.Sprint(h["flush"])
		batch := f["batches"].where("batch", name)[0]
		for _, x := range h["conditions"].([]any) {
			cond := x.(map[string]any)
			stage := cond["stage"].(string)
			list, seconds := windowOf(f, batch, flush, stage)
			seen := 0.0
			for _, p := range list {
				seen += p.seconds
			}
			key := name + " flush " + flush + " " + stage
			c.same(key+" observed", cond["observed"], seen/seconds)
			stages := f["stages"].where("batch", name, "flush", flush, "stage", stage)
			c.moment(key+" from", cond["from"], stages[0]["from"])
			end := stages[len(stages)-1]["to"]
			if closed := f["flushes"].where("batch", name, "flush", flush); stage != "rest" && len(closed) > 0 && closed[0]["closed"] != "" && at(closed[0]["closed"]) < at(end) {
				end = closed[0]["closed"]
			}
			c.moment(key+" to", cond["to"], end)
		}
	}
}

// points: each relation draws and counts the flushes that it rests on.
func (c *checker) points(relations, flushes []map[string]any) {
	for _, r := range relations {
		points, batches := r["points"].([]any), map[string]bool{}
		for _, x := range points {
			p := x.(map[string]any)
			batches[p["batch"].(string)] = true
			found := false
			for _, h := range flushes {
				if h["batch"] != p["batch"] || h["flush"] != p["flush"] {
					continue
				}
				for _, x := range h["conditions"].([]any) {
					if cond := x.(map[string]any); cond["stage"] == r["stage"] {
						found = true
						c.same("a point across", p["x"], cond[r["measure"].(string)].(float64))
						c.same("a point up", p["relative"], h["relative_to_median"].(float64))
					}
				}
			}
			if !found {
				c.t.Errorf("%v %v shows a flush %v of %v that is none", r["measure"], r["stage"], p["flush"], p["batch"])
			}
		}
		c.same("flushes of a relation", r["flushes"], float64(len(points)))
		c.same("batches of a relation", r["batches"], float64(len(batches)))
	}
}

package web

import (
	"context"
	"crypto/rand"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/species"
)

// doing is one thing that a person can do from the page.
type doing struct {
	title string // what the form is headed
	verb  string // what its button says
	sure  bool   // whether what will happen is shown before it is done
	build func(v *visit, view *view) (policy.Action, error)
}

// doings lists them by the word in their address.
var doings = map[string]doing{
	"pick":   {"Pick", "Pick", true, (*visit).buildPick},
	"stage":  {"Change the stage", "Change", true, (*visit).buildStage},
	"batch":  {"Put in a batch", "Put in", true, (*visit).buildBatch},
	"retire": {"Take the batch out", "Take out", true, (*visit).buildRetire},
	"refill": {"Fill the reservoir", "It is filled", false, (*visit).buildRefill},
	"hand":   {"Take a plug in hand", "Do so", true, (*visit).buildHand},
	"ack":    {"Acknowledge", "I have seen it", false, (*visit).buildAck},
	"shelve": {"Put off", "Put off", false, (*visit).buildShelve},
	"note":   {"Write a note", "Write down", false, (*visit).buildNote},
}

// doPage is a form.
type doPage struct {
	What, Title, Verb           string
	Chamber, Batch, Plug, Alarm string
	ID                          string // of the action: sent twice, it is done once
	Problem, Field              string
	Typed                       url.Values // what the form held when it was refused
	Batches, Species, Stages    []choice
	Lengths, Hands              []choice
	Capacity                    string
	About                       string
	Longest                     int // of a note
}

// Old is what a field held when the form was refused.
func (p *doPage) Old(field string) string { return p.Typed.Get(field) }

// Wrong marks the field that was refused.
func (p *doPage) Wrong(field string) bool { return p.Field == field }

// surePage shows what will happen before it is done.
type surePage struct {
	What, Title, Verb, Chamber string
	Effects                    []effect
	Keep                       []hidden
}

type hidden struct{ Name, Value string }

// effect is one thing that changes; with Before empty, one that is said.
type effect struct{ Name, Before, After string }

func (v *visit) askForm() error {
	p, _, err := v.doPage(v.r.URL.Query())
	if err != nil {
		return err
	}
	return v.showForm(p, http.StatusOK)
}

func (v *visit) showForm(p *doPage, status int) error {
	v.needForm()
	return v.render(status, frame{Title: p.Title, View: "do", Body: p})
}

// doPage sets a form up for a chamber.
func (v *visit) doPage(q url.Values) (*doPage, *view, error) {
	what := v.r.PathValue("what")
	d, ok := doings[what]
	if !ok {
		return nil, nil, missing("action", what, nil)
	}
	view, err := v.s.viewOf(q.Get("chamber"))
	if err != nil {
		return nil, nil, err
	}
	p := &doPage{What: what, Title: d.title, Verb: d.verb, Chamber: view.snap.Spec.Name, Batch: q.Get("batch"), Plug: q.Get("plug"),
		Alarm: q.Get("alarm"), ID: rand.Text(), Typed: url.Values{}, Longest: 500}
	batches := view.batches(false)
	for i := range batches {
		p.Batches = append(p.Batches, choice{batches[i].Name, batches[i].Name + ", " + words.Species(batches[i].Species), batches[i].Name == p.Batch})
	}
	v.choices(p, view)
	return p, view, nil
}

// choices fills in what the form offers.
func (v *visit) choices(p *doPage, view *view) {
	b, _ := view.snap.State.Crop.Find(p.Batch)
	switch p.What {
	case "batch":
		p.Species, p.Stages = speciesChoices(v.s.backend.Climates(p.Chamber), p.Old("species")), stageChoices(species.Colonization)
	case "stage":
		p.Stages = stageChoices(b.Stage)
	case "hand":
		p.Lengths = lengths("15m", 15*time.Minute, 30*time.Minute, time.Hour, 2*time.Hour, 4*time.Hour, 8*time.Hour, 24*time.Hour)
		p.Hands = []choice{{"off", "off", true}, {"on", "on", false}, {"auto", "back to gillkeeper", false}}
		for i := range view.snap.State.Plugs {
			x := &view.snap.State.Plugs[i]
			if x.Name == p.Plug {
				p.About = plugName(x.Name, x.Role.String())
				if x.Hand.Active {
					p.Hands = []choice{{"auto", "back to gillkeeper", true}, {"off", "off", false}, {"on", "on", false}}
				}
				if most := view.snap.Spec.Plugs[i].MaxOn; most > 0 {
					for j := range p.Hands {
						if p.Hands[j].Value == "on" {
							p.Hands[j].Words = "on, for " + words.Duration(most) + " at the most"
						}
					}
				}
			}
		}
	case "shelve":
		p.Lengths = lengths("1h0m0s", time.Hour, 4*time.Hour, 8*time.Hour, 24*time.Hour)
	case "refill":
		if i := view.snap.Spec.Plug(chamber.Humidifier); i >= 0 && view.snap.Spec.Plugs[i].ReservoirLiters > 0 {
			p.Capacity = words.Capacity(view.snap.Spec.Plugs[i].ReservoirLiters)
		}
	}
	if n := alarm.Name(p.Alarm); p.Alarm != "" && n.Index() >= 0 {
		p.About = alarm.Told(n, view.snap.State.Alarms.Of(n).Condition.Code).Says
	}
}

func lengths(chosen string, all ...time.Duration) []choice {
	var out []choice
	for _, d := range all {
		text := d.String()
		out = append(out, choice{text, words.Duration(d), text == chosen || strings.TrimSuffix(text, "0s") == chosen})
	}
	return out
}

// takeForm does what a form says, or shows first what that will bring, or says what is wrong with it.
func (v *visit) takeForm() error {
	if err := v.checkForm(); err != nil {
		return err
	}
	if v.r.PathValue("what") == "undo" {
		return v.takeUndo()
	}
	p, view, err := v.doPage(v.r.PostForm)
	if err != nil {
		return err
	}
	d := doings[p.What]
	a, err := d.build(v, view)
	if err == nil {
		a.ID = v.r.PostFormValue("id")
		if !idPattern.MatchString(a.ID) {
			return badRequest("the form has no id; go back and load the page again")
		}
		a.At, a.By, a.Note = v.s.now().UTC(), "page", strings.TrimSpace(v.r.PostFormValue("note"))
		if d.sure && v.r.PostFormValue("sure") != "yes" {
			err = v.askSure(p, view, a)
		} else {
			err = v.do(p.Chamber, a, view)
		}
	}
	return v.orForm(p, view, err)
}

// orForm shows the form again where what was typed is at fault.
func (v *visit) orForm(p *doPage, view *view, err error) error {
	if err == nil {
		return nil
	}
	problem := asProblem(err)
	if problem.Status >= 500 || problem.Code == api.CodeIDTaken {
		return err
	}
	p.Problem, p.Field, p.Typed = sentence(problem.Detail), problem.Field, v.r.PostForm
	v.choices(p, view)
	for _, list := range [][]choice{p.Stages, p.Lengths, p.Hands, p.Batches} {
		for i := range list {
			for _, typed := range []string{"stage", "for", "hand", "batch"} {
				if old := p.Old(typed); slices.ContainsFunc(list, func(c choice) bool { return c.Value == old }) {
					list[i].Here = list[i].Value == old
				}
			}
		}
	}
	return v.showForm(p, http.StatusUnprocessableEntity)
}

func sentence(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:] + "."
}

// do has the action done and leads back to the chamber.
func (v *visit) do(name string, a policy.Action, before *view) error {
	ctx, cancel := context.WithTimeout(v.r.Context(), actTimeout)
	defer cancel()
	if _, err := v.s.backend.Act(ctx, name, a); err != nil {
		return err
	}
	v.s.dones.add(name, a, before, time.Now())
	v.redirect("chamber/" + url.PathEscape(name) + "?" + url.Values{"done": {a.ID}}.Encode())
	return nil
}

// takeUndo takes back what was done within the last minute.
func (v *visit) takeUndo() error {
	d, ok := v.s.dones.take(v.r.PostFormValue("id"), time.Now())
	if !ok {
		return &api.Problem{Status: http.StatusGone, Code: api.CodeNotFound,
			Detail: "the minute for taking this back is over; do the opposite, or correct the entry"}
	}
	view, err := v.s.viewOf(d.chamber)
	if err != nil {
		return err
	}
	a := d.undo.action
	a.ID, a.At, a.By = rand.Text(), v.s.now().UTC(), "page"
	return v.do(d.chamber, a, view)
}

func (v *visit) buildPick(*view) (policy.Action, error) {
	done := v.r.PostFormValue("done") == "yes"
	text := v.r.PostFormValue("fresh_g")
	if text == "" && done {
		text = "0"
	}
	g, err := typedNumber("fresh_g", text)
	return policy.Action{Kind: policy.HarvestDone, Batch: v.r.PostFormValue("batch"), FreshG: g, Done: done}, err
}

func (v *visit) buildStage(*view) (policy.Action, error) {
	st, err := stageNamed(v.r.PostFormValue("stage"))
	return policy.Action{Kind: policy.StageSet, Batch: v.r.PostFormValue("batch"), Stage: st}, err
}

func (v *visit) buildBatch(*view) (policy.Action, error) {
	a := policy.Action{Kind: policy.BatchAdd, Batch: strings.ToLower(strings.TrimSpace(v.r.PostFormValue("name"))),
		Species: v.r.PostFormValue("species"), Strain: strings.TrimSpace(v.r.PostFormValue("strain"))}
	if a.Species == "" {
		return a, &api.Problem{Status: http.StatusUnprocessableEntity, Code: api.CodeRefused, Field: "species", Detail: "choose the species; what the chamber's air is to be follows from it"}
	}
	var errs [3]error
	a.SubstrateKg, errs[0] = typedNumber("substrate_kg", v.r.PostFormValue("substrate_kg"))
	a.DryKg, errs[1] = typedNumber("dry_kg", v.r.PostFormValue("dry_kg"))
	a.Stage, errs[2] = stageNamed(v.r.PostFormValue("stage"))
	for _, err := range errs {
		if err != nil {
			return a, err
		}
	}
	return a, nil
}

func (v *visit) buildRetire(*view) (policy.Action, error) {
	return policy.Action{Kind: policy.BatchRetire, Batch: v.r.PostFormValue("batch")}, nil
}

func (v *visit) buildRefill(*view) (policy.Action, error) {
	liters, err := optionalNumber("liters", v.r.PostFormValue("liters"))
	return policy.Action{Kind: policy.Refilled, Liters: liters, Cleaned: v.r.PostFormValue("cleaned") != ""}, err
}

func (v *visit) buildHand(*view) (policy.Action, error) {
	a := policy.Action{Kind: policy.HandSet, Plug: v.r.PostFormValue("plug"), Hand: policy.Hand(v.r.PostFormValue("hand"))}
	if a.Hand == policy.HandAuto {
		return a, nil
	}
	var err error
	a.For, err = typedDuration("for", v.r.PostFormValue("for"))
	return a, err
}

func (v *visit) buildAck(*view) (policy.Action, error) {
	return policy.Action{Kind: policy.AlarmAck, Alarm: v.r.PostFormValue("alarm")}, nil
}

func (v *visit) buildShelve(*view) (policy.Action, error) {
	length, err := typedDuration("for", v.r.PostFormValue("for"))
	return policy.Action{Kind: policy.AlarmShelve, Alarm: v.r.PostFormValue("alarm"), For: length}, err
}

func (v *visit) buildNote(*view) (policy.Action, error) {
	a := policy.Action{Kind: policy.NoteMade, Batch: v.r.PostFormValue("batch")}
	if strings.TrimSpace(v.r.PostFormValue("note")) == "" {
		return a, &policy.Refusal{Field: "note", Allowed: "write something"}
	}
	return a, nil
}

// askSure shows what an action will bring.
func (v *visit) askSure(p *doPage, view *view, a policy.Action) error {
	pre, err := v.s.backend.Preview(p.Chamber, a)
	if err != nil {
		return err
	}
	sure := surePage{What: p.What, Title: p.Title, Verb: p.Verb, Chamber: p.Chamber, Effects: effects(&a, view, &pre, v.set.words)}
	for name, values := range v.r.PostForm {
		if name != "form" && name != "sure" && len(values) > 0 {
			sure.Keep = append(sure.Keep, hidden{name, values[0]})
		}
	}
	slices.SortFunc(sure.Keep, func(a, b hidden) int { return strings.Compare(a.Name, b.Name) })
	return v.render(http.StatusOK, frame{Title: p.Title, View: "sure", Body: &sure})
}

// effects says what will be different.
func effects(a *policy.Action, view *view, pre *policy.Preview, w words.Words) []effect {
	var out []effect
	old, _ := view.snap.State.Crop.Find(a.Batch)
	now, _ := pre.State.Crop.Find(a.Batch)
	switch a.Kind {
	case policy.HarvestDone:
		out = append(out, effect{Name: fmt.Sprintf("Picked from %s, flush %d", a.Batch, old.Flush), After: words.Number(a.FreshG, 0) + " g"})
		out = append(out, effect{"Biological efficiency", words.Percent(old.BiologicalEfficiency(), 0), words.Percent(now.BiologicalEfficiency(), 0)})
	case policy.BatchAdd:
		out = append(out, effect{Name: "New batch", After: fmt.Sprintf("%s, %s, %s", a.Batch, words.Species(a.Species), words.Kilograms(a.SubstrateKg))})
	case policy.HandSet:
		return append(out, handEffect(a, view))
	case policy.BatchRetire:
		out = append(out, effect{Name: a.Batch, Before: old.Stage.String(), After: "taken out; its figures stay"})
	}
	if old.Name != "" && now.Stage != old.Stage {
		out = append(out, effect{"Stage of " + a.Batch, old.Stage.String(), now.Stage.String()})
	}
	if old.Name != "" && now.Flush != old.Flush {
		out = append(out, effect{"Flush", fmt.Sprint(old.Flush), fmt.Sprint(now.Flush)})
	}
	return append(out, targetEffects(pre, w)...)
}

func handEffect(a *policy.Action, view *view) effect {
	name := a.Plug
	for i := range view.snap.Spec.Plugs {
		if x := &view.snap.Spec.Plugs[i]; x.Name == a.Plug {
			name = plugName(x.Name, x.Role.String())
		}
	}
	if a.Hand == policy.HandAuto {
		return effect{Name: "The " + name, After: "is gillkeeper's again"}
	}
	return effect{Name: "The " + name, After: fmt.Sprintf("is %s for %s, whatever the air does; then gillkeeper goes on", a.Hand, words.Duration(a.For))}
}

// targetEffects says how the target moves, and what holding it takes.
func targetEffects(pre *policy.Preview, w words.Words) []effect {
	b, t := &pre.Before, &pre.After
	var out []effect
	differ := func(name, before, after string) {
		if before != after {
			out = append(out, effect{name, before, after})
		}
	}
	const nothing = "nothing wanted"
	span := func(ok bool, q chamber.Quantity, low, high float64) string {
		if !ok || low == 0 && high == 0 {
			return nothing
		}
		return w.Span(q, low, high)
	}
	differ("Humidity", span(b.OK, chamber.RelativeHumidity, b.RelativeHumidity.Low, b.RelativeHumidity.High), span(t.OK, chamber.RelativeHumidity, t.RelativeHumidity.Low, t.RelativeHumidity.High))
	differ("Temperature", span(b.OK, chamber.Temperature, b.TemperatureC.Low, b.TemperatureC.High), span(t.OK, chamber.Temperature, t.TemperatureC.Low, t.TemperatureC.High))
	differ("CO2", span(b.OK, chamber.CO2, b.CO2MinPPM, b.CO2MaxPPM), span(t.OK, chamber.CO2, t.CO2MinPPM, t.CO2MaxPPM))
	light := func(ok bool, h float64) string {
		if !ok || h == 0 {
			return "dark"
		}
		return strings.TrimSuffix(words.Number(h, 1), ".0") + " h a day"
	}
	differ("Light", light(b.OK, b.LightHours), light(t.OK, t.LightHours))
	if x, y := pre.UpkeepBefore, pre.UpkeepAfter; x.OK && y.OK {
		differ("Fan, about", words.Percent(x.FanShare, 0)+" of the time", words.Percent(y.FanShare, 0)+" of the time")
		differ("Water, about", words.LitersADay(x.LitersPerDay)+" a day", words.LitersADay(y.LitersPerDay)+" a day")
	}
	if len(out) > 0 && b.OK && t.OK {
		out = append(out, effect{Name: "How soon", After: "the aims move over six hours; a stricter CO2 limit holds at once"})
	}
	return out
}

package journal

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/reason"
)

// Most events are switches, so their bodies are kept short: {"on":true,"why":[[code, quantity, value, bound, predicted,
// seconds, until, other, plan], …]} without what the row says already. until is in seconds after the event; what is
// empty at the end of a reason is left out; numbers have six digits; plan is as [packedPlan] has it. Any other event is
// the JSON of [policy.Event].

type switchBody struct {
	On  bool    `json:"on,omitempty"`
	Why [][]any `json:"why"`
}

// figures is how many digits of a reason's number are kept: more than any sensor has.
const figures = 6

func figure(v float64) float64 {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return v
	}
	scale := math.Pow(10, figures-1-math.Floor(math.Log10(math.Abs(v))))
	if math.IsInf(scale, 0) || scale == 0 {
		return v
	}
	return math.Round(v*scale) / scale
}

// packed gives an event's body.
func packed(e *policy.Event) ([]byte, error) {
	plain := *e
	plain.At, plain.Kind, plain.Plug, plain.On, plain.Reasons = time.Time{}, "", "", false, nil
	if e.Kind != policy.PlugSwitched || !isZero(&plain) {
		return json.Marshal(e)
	}
	b := switchBody{On: e.On, Why: [][]any{}}
	for _, r := range e.Reasons {
		until := 0.0
		if !r.Until.IsZero() {
			until = math.Round(1000*r.Until.Sub(e.At).Seconds()) / 1000
			if until == 0 {
				until = 0.001 // a moment that is there
			}
		}
		quantity := ""
		if r.Quantity != 0 {
			quantity = r.Quantity.String()
		}
		row := []any{string(r.Code), quantity, figure(r.Value), figure(r.Bound), figure(r.Predicted), math.Round(1000*r.For.Seconds()) / 1000, until, r.Other}
		if r.Plan != nil {
			row = append(row, packedPlan(r.Plan))
		}
		for len(row) > 1 && (row[len(row)-1] == "" || row[len(row)-1] == 0.0) {
			row = row[:len(row)-1]
		}
		b.Why = append(b.Why, row)
	}
	return json.Marshal(&b)
}

func isZero(e *policy.Event) bool {
	return e.Alarm == "" && e.Phase == "" && e.Priority == "" && !e.Notify && e.Condition == nil && e.Action == nil
}

// unpacked reads an event back; at, kind and plug are of its row.
func unpacked(body string, at int64, kind, plug string) (policy.Event, error) {
	var whole struct {
		policy.Event
		Why [][]json.RawMessage `json:"why"`
	}
	if err := json.Unmarshal([]byte(body), &whole); err != nil {
		return policy.Event{}, err
	}
	e := whole.Event
	if whole.Why == nil {
		return e, nil
	}
	e.At, e.Kind, e.Plug = fromNano(at), policy.EventKind(kind), plug
	for _, row := range whole.Why {
		r, err := unpackedReason(row, e.At)
		if err != nil {
			return e, err
		}
		e.Reasons = append(e.Reasons, r)
	}
	return e, nil
}

// packedPlan is [ahead, runs, in, for, decided, level, air …]: seconds, and of each air relative humidity, CO2 and temperature:
// now, then lowest, highest and last with the run, and the same without. What is taken off the aim follows where there is such.
func packedPlan(p *reason.Plan) []any {
	row := []any{p.Ahead.Seconds(), p.Runs, p.In.Seconds(), p.For.Seconds(), string(p.Decided), figure(p.Level)}
	for _, a := range airs(p) {
		row = append(row, figure(a.RH), figure(a.CO2), figure(a.AirC))
	}
	if p.Trim != 0 {
		row = append(row, figure(p.Trim))
	}
	return row
}

func airs(p *reason.Plan) [7]*reason.Air {
	return [...]*reason.Air{&p.Now, &p.With.Low, &p.With.High, &p.With.End, &p.Without.Low, &p.Without.High, &p.Without.End}
}

func unpackedPlan(raw json.RawMessage) (*reason.Plan, error) {
	p := &reason.Plan{}
	var ahead, in, length float64
	var decided string
	into := []any{&ahead, &p.Runs, &in, &length, &decided, &p.Level}
	for _, a := range airs(p) {
		into = append(into, &a.RH, &a.CO2, &a.AirC)
	}
	into = append(into, &p.Trim)
	var row []json.RawMessage
	if err := json.Unmarshal(raw, &row); err != nil {
		return nil, err
	}
	if len(row) != len(into) && len(row) != len(into)-1 {
		return nil, fmt.Errorf("a reason's plan has %d parts, not %d or %d", len(row), len(into)-1, len(into))
	}
	for i := range row {
		if err := json.Unmarshal(row[i], into[i]); err != nil {
			return nil, err
		}
	}
	of := func(s float64) time.Duration { return time.Duration(math.Round(s * float64(time.Second))) }
	p.Ahead, p.In, p.For, p.Decided = of(ahead), of(in), of(length), reason.Cost(decided)
	return p, nil
}

func unpackedReason(row []json.RawMessage, at time.Time) (r reason.Reason, err error) {
	var code, quantity, other string
	var seconds, until float64
	into := []any{&code, &quantity, &r.Value, &r.Bound, &r.Predicted, &seconds, &until, &other}
	if len(row) == len(into)+1 {
		if r.Plan, err = unpackedPlan(row[len(into)]); err != nil {
			return r, err
		}
		row = row[:len(into)]
	}
	if len(row) > len(into) {
		return r, fmt.Errorf("a reason has %d parts", len(row))
	}
	for i, raw := range row {
		if err := json.Unmarshal(raw, into[i]); err != nil {
			return r, err
		}
	}
	r.Code, r.Other = reason.Code(code), other
	r.For = time.Duration(math.Round(seconds * float64(time.Second)))
	if until != 0 {
		r.Until = at.Add(time.Duration(math.Round(until * float64(time.Second)))).UTC()
	}
	for _, q := range chamber.Quantities() {
		if q.String() == quantity {
			r.Quantity = q
		}
	}
	return r, nil
}

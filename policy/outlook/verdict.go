package outlook

import (
	"slices"
	"time"

	"gillkeeper/policy/alarm"
)

// judge says what to do before leaving, what speaks against it, and the plain answer.
func (q *Question) judge(o *Outlook) {
	q.judgeWater(o)
	q.judgeCrop(o)
	for _, s := range o.Stands {
		if !ownDeed(s.Alarm) {
			o.Deeds = append(o.Deeds, Deed{Kind: MendAlarm, Must: s.Priority > alarm.Low, Alarm: s.Alarm, Code: s.Code})
		}
	}
	if !q.Told {
		o.Deeds = append(o.Deeds, Deed{Kind: BeTold})
	}
	if q.State.Target.OK && q.seen() < ownRecord {
		o.Because = append(o.Because, Reason{Kind: Unlearned})
	} else {
		for _, r := range o.Ranges {
			if r.Chance < doubtful {
				o.Because = append(o.Because, Reason{Kind: OutOfRange, Quantity: r.Quantity, Chance: r.Chance})
			}
		}
	}
	slices.SortStableFunc(o.Deeds, func(a, b Deed) int {
		switch {
		case a.Must == b.Must:
			return 0
		case a.Must:
			return -1
		}
		return 1
	})
	switch {
	case len(o.Because) > 0:
		o.Verdict = Stay
	case slices.ContainsFunc(o.Deeds, func(d Deed) bool { return d.Must }):
		o.Verdict = LeaveAfter
	default:
		o.Verdict = Leave
	}
}

// ownDeed reports whether an alarm is answered by another deed than looking after it.
func ownDeed(n alarm.Name) bool {
	return n == alarm.ReservoirDry || n == alarm.ReservoirLow || n == alarm.HarvestDue || n == alarm.StageOverdue
}

// seen is for how long, in seconds, the chamber has been watched at its present stage.
func (q *Question) seen() (most float64) {
	for _, t := range q.State.Totals.InRange {
		if t.Stage == q.State.Target.Stage {
			most = max(most, t.ObservedSeconds)
		}
	}
	return most
}

func (q *Question) judgeWater(o *Outlook) {
	w := o.Water
	if w == nil {
		return
	}
	lasts := func(d Dry) bool { return d.OK && d.Earliest >= q.For }
	switch {
	case !w.DryNow && lasts(w.Now):
		return
	case lasts(w.Full):
		o.Deeds = append(o.Deeds, Deed{Kind: FillReservoir, Must: true})
		return
	case !w.Full.OK && !w.Known:
		o.Deeds = append(o.Deeds, Deed{Kind: MeasureWater, Must: true})
		return
	}
	best := w.Now
	if w.Full.OK && w.Full.Earliest > best.Earliest {
		best = w.Full
		o.Deeds = append(o.Deeds, Deed{Kind: FillReservoir, Must: true})
	}
	by := q.Wall.Add(best.Earliest)
	o.Because = append(o.Because, Reason{Kind: RunsDry, At: by})
	o.Deeds = append(o.Deeds, Deed{Kind: AskRefill, Must: true, By: by})
	o.SafeFor = min(o.SafeFor, best.Earliest)
}

func (q *Question) judgeCrop(o *Outlook) {
	for _, d := range o.Due {
		if !d.Harvest {
			continue
		}
		switch {
		case d.Already && !d.Picked.IsZero():
			// What of it is left, and whether that is ripe, only who picked it knows: harvest_due does not ask again either.
			o.Deeds = append(o.Deeds, Deed{Kind: PickRest, Batch: d.Batch})
		case d.Already:
			o.Deeds = append(o.Deeds, Deed{Kind: Pick, Must: true, Batch: d.Batch})
		case d.Over:
			o.Because = append(o.Because, Reason{Kind: Overripe, Batch: d.Batch, At: d.Until})
			o.Deeds = append(o.Deeds, Deed{Kind: AskPick, Must: true, Batch: d.Batch, By: d.Until})
			o.SafeFor = min(o.SafeFor, max(0, d.Until.Sub(q.Wall)).Truncate(time.Minute))
		}
	}
}

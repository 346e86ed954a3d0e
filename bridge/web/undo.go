package web

import (
	"sync"
	"time"

	"gillkeeper/bridge/words"
	"gillkeeper/policy"
)

// undoFor is how long the page offers to take back what was done.
const (
	undoFor   = time.Minute
	mostDones = 1000
)

// doneNote is what stands above a page after an action, with a way to take it back.
type doneNote struct {
	Text string
	ID   string // of the action, where it can be taken back
	Undo string // what taking it back does
}

// undo is the action that takes another back.
type undo struct {
	words  string
	action policy.Action
}

type done struct {
	chamber string
	text    string
	undo    *undo
	at      time.Time
}

// dones remembers for a minute what was done from the page.
type dones struct {
	mu   sync.Mutex
	seen map[string]done // guarded by mu
}

func (x *dones) add(chamber string, a policy.Action, before *view, now time.Time) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.seen == nil {
		x.seen = map[string]done{}
	}
	for id, d := range x.seen {
		if now.Sub(d.at) > undoFor {
			delete(x.seen, id)
		}
	}
	if len(x.seen) < mostDones {
		x.seen[a.ID] = done{chamber, doneText(&a), reverse(&a, before), now}
	}
}

func (x *dones) get(id string, now time.Time) (done, bool) {
	x.mu.Lock()
	defer x.mu.Unlock()
	d, ok := x.seen[id]
	return d, ok && now.Sub(d.at) <= undoFor
}

// take gives what can be taken back, once.
func (x *dones) take(id string, now time.Time) (done, bool) {
	x.mu.Lock()
	defer x.mu.Unlock()
	d, ok := x.seen[id]
	if !ok || d.undo == nil || now.Sub(d.at) > undoFor {
		return done{}, false
	}
	delete(x.seen, id)
	return d, true
}

// doneNote says what was done, when a page is shown right after it.
func (v *visit) doneNote() *doneNote {
	id := v.r.URL.Query().Get("done")
	if id == "" {
		return nil
	}
	d, ok := v.s.dones.get(id, time.Now())
	if !ok {
		return nil
	}
	v.needForm()
	n := &doneNote{Text: d.text}
	if d.undo != nil && v.who.role == actor {
		n.ID, n.Undo = id, d.undo.words
	}
	return n
}

func doneText(a *policy.Action) string {
	switch a.Kind {
	case policy.HarvestDone:
		if a.FreshG == 0 {
			return "Flush of " + a.Batch + " closed."
		}
		return words.Number(a.FreshG, 0) + " g of " + a.Batch + " written down."
	case policy.StageSet:
		return a.Batch + " is in " + a.Stage.String() + " now."
	case policy.BatchAdd:
		return a.Batch + " is put in."
	case policy.BatchRetire:
		return a.Batch + " is taken out."
	case policy.Refilled:
		return "The filling is written down."
	case policy.HandSet:
		if a.Hand == policy.HandAuto {
			return "gillkeeper has " + a.Plug + " back."
		}
		return a.Plug + " is " + string(a.Hand) + " for " + words.Duration(a.For) + "."
	case policy.AlarmAck:
		return "Acknowledged."
	case policy.AlarmShelve:
		return "Put off for " + words.Duration(a.For) + "."
	case policy.NoteMade:
		return "The note is written down."
	}
	return "Taken back."
}

// reverse gives what takes an action back, or nil where nothing does. An entry of the crop's record is undone as if it
// had never been; what acts on plugs and alarms is done the other way round.
func reverse(a *policy.Action, before *view) *undo {
	switch a.Kind {
	case policy.HarvestDone, policy.StageSet, policy.BatchAdd, policy.BatchRetire, policy.NoteMade:
		return &undo{"Take it back", policy.Action{Kind: policy.Undo, Batch: a.Batch, Of: a.ID}}
	case policy.Refilled:
		text := "It was not filled"
		if a.Cleaned {
			text = "It was not cleaned and filled"
		}
		return &undo{text, policy.Action{Kind: policy.RefillUndo, Of: a.ID}}
	case policy.AlarmAck:
		return &undo{"Take it back", policy.Action{Kind: policy.AlarmUnack, Alarm: a.Alarm}}
	case policy.HandSet:
		return reverseHand(a, before)
	case policy.AlarmShelve:
		return &undo{"Show it again", policy.Action{Kind: policy.AlarmUnshelve, Alarm: a.Alarm}}
	}
	return nil
}

// reverseHand gives a plug back, or into the hand in which it was.
func reverseHand(a *policy.Action, before *view) *undo {
	for i := range before.snap.State.Plugs {
		p := &before.snap.State.Plugs[i]
		left := p.Hand.Until.Sub(before.snap.State.Now).Truncate(time.Second)
		if p.Name != a.Plug || !p.Hand.Active || p.Hand.AtPlug || left <= undoFor {
			continue
		}
		was := policy.Action{Kind: policy.HandSet, Plug: a.Plug, Hand: policy.HandOff, For: left}
		if p.Hand.On {
			was.Hand = policy.HandOn
		}
		return &undo{"Keep it " + string(was.Hand) + " by hand", was}
	}
	if a.Hand == policy.HandAuto {
		return nil
	}
	return &undo{"Give it back", policy.Action{Kind: policy.HandSet, Plug: a.Plug, Hand: policy.HandAuto}}
}

package web

import (
	"errors"
	"net/http"
	"strings"
	"time"

	"gillkeeper/bridge/forecast"
	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/outlook"
)

// outlookPage answers whether one can leave.
type outlookPage struct {
	Chamber string
	Lengths []choice
	Problem string
	Answer  *api.Outlook
	Class   string // of the verdict: fine, look, act
	Until   string
	SafeFor string
	Ranges  []effect
	Dries   []effect
}

// outlookDays are the stays away that the page offers.
var outlookDays = []struct{ days, words string }{{"1", "1 day"}, {"2", "2 days"}, {"3", "3 days"}, {"4", "4 days"}, {"7", "a week"}, {"14", "two weeks"}}

func (v *visit) outlook() error {
	view, err := v.s.viewOf(v.r.PathValue("chamber"))
	if err != nil {
		return err
	}
	p := outlookPage{Chamber: view.snap.Spec.Name}
	chosen, length := v.r.URL.Query().Get("days"), time.Duration(0)
	for _, d := range outlookDays {
		p.Lengths = append(p.Lengths, choice{d.days, d.words, d.days == chosen || chosen == "" && d.days == "4"})
		if d.days == chosen {
			length, _ = time.ParseDuration(chosen + "h")
			length *= 24
		}
	}
	switch {
	case chosen == "":
	case length == 0:
		p.Problem = "Choose one of the lengths."
	case v.s.ahead == nil:
		p.Problem = "No outlook is given here."
	default:
		if err := v.lookAhead(&p, length); err != nil {
			return err
		}
	}
	return v.render(http.StatusOK, frame{Title: "Can I leave " + p.Chamber + "?", View: "outlook", Body: &p})
}

// lookAhead has the outlook worked out, which takes some seconds.
func (v *visit) lookAhead(p *outlookPage, length time.Duration) error {
	_ = http.NewResponseController(v.w).SetWriteDeadline(time.Now().Add(thoroughTime)) // else the server's own holds
	o, err := v.s.ahead(v.r.Context(), p.Chamber, length, false, func(int, int) {})
	if errors.Is(err, forecast.ErrBusy) {
		p.Problem = sentence(err.Error())
		return nil
	}
	if err != nil {
		return err
	}
	a := outlookOf(&o, v.set.words)
	p.Answer, p.Class = &a, "look"
	switch o.Verdict {
	case outlook.Leave:
		p.Class = "fine"
	case outlook.Stay:
		p.Class = "act"
	}
	now := v.s.now()
	p.Until, p.SafeFor = v.set.words.Clock(a.Until, now), words.Duration(time.Duration(a.SafeFor).Round(time.Hour))
	for _, r := range a.Ranges {
		var q chamber.Quantity
		name := r.Quantity
		if q.UnmarshalText([]byte(r.Quantity)) == nil {
			name = words.Quantity(q)
		}
		p.Ranges = append(p.Ranges, effect{Name: name, After: words.Percent(r.Share, 0) + " of the time in range; no alarm, " + words.Percent(r.Chance, 0) + " sure"})
	}
	if w := a.Water; w != nil {
		if w.Known {
			in := effect{Name: "In it now", After: words.Liters(w.Liters)}
			if w.LitersPerDay > 0 {
				in.After += "; " + words.LitersADay(w.LitersPerDay) + " a day are used"
			}
			p.Dries = append(p.Dries, in)
		}
		p.Dries = append(p.Dries, dries("With what is in it", w.Now)...)
		if other := words.AtPresent(o.Water); other != "" && w.Known && !w.Dry {
			p.Dries = append(p.Dries, effect{Name: "Told elsewhere", After: other})
		}
		p.Dries = append(p.Dries, dries("Filled before leaving", w.Full)...)
	}
	return nil
}

func dries(name string, d *api.OutlookDry) []effect {
	if d == nil {
		return nil
	}
	when := func(before string, x api.Duration) string {
		if d := time.Duration(x); d >= time.Minute {
			return before + words.About(d)
		}
		return "by now"
	}
	return []effect{{Name: name, After: strings.Join([]string{"dry " + when("after about ", d.Likely), "one time in ten " + when("within ", d.Earliest),
		"chance that it runs dry before you are back " + words.Percent(d.Chance, 0)}, ", ")}}
}

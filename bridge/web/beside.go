package web

import (
	"fmt"
	"strings"
	"time"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy/chamber"
)

// besidePart shows somebody who moves in what the controls in charge do, beside what this daemon would have the plugs do.
type besidePart struct {
	Since, Observed string
	Short           string // in one line
	Kept            []effect
	Plugs           []besideLine
}

// besideLine is one plug: what it did, and what this daemon would have had it do. Shares are in hundredths, for a drawing.
type besideLine struct {
	Name           string
	Ran, Wanted    string
	Runs, Wishes   string // how often it was switched
	Share, Wishing float64
}

// beside is what the controls in charge did, beside what this daemon would have done; nil where it is in charge itself.
func (v *view) beside() *api.Beside {
	b := v.snap.State.Beside
	if b == nil || !v.snap.Observe {
		return nil
	}
	out := &api.Beside{Since: v.day(b.Since), Observed: seconds(b.Seconds), InRange: []api.BesideRange{}, Plugs: []api.BesidePlug{}}
	for _, r := range b.InRange {
		if r.Seconds > 0 {
			out.InRange = append(out.InRange, api.BesideRange{Quantity: r.Quantity.String(), Share: finite(r.Within / r.Seconds)})
		}
	}
	for _, p := range b.Plugs {
		out.Plugs = append(out.Plugs, api.BesidePlug{Name: p.Plug, Observed: seconds(p.Seconds), On: seconds(p.OnSeconds), Switches: p.Switches,
			Wanted: seconds(p.WantedSeconds), WantedSwitches: p.WantedSwitches})
	}
	return out
}

func seconds(s float64) api.Duration {
	return api.Duration(time.Duration(s * float64(time.Second)).Round(time.Second))
}

func makeBeside(c *api.Chamber, w words.Words) *besidePart {
	b := c.Beside
	if b == nil || b.Observed <= 0 {
		return nil
	}
	p := &besidePart{Since: w.Clock(b.Since, c.At), Observed: words.Duration(time.Duration(b.Observed))}
	var short []string
	for _, r := range b.InRange {
		var q chamber.Quantity
		if q.UnmarshalText([]byte(r.Quantity)) == nil {
			p.Kept = append(p.Kept, effect{Name: words.Quantity(q), After: "in range " + words.Percent(r.Share, 0) + " of the time"})
			short = append(short, words.QuantityAmid(q)+" "+words.Percent(r.Share, 0))
		}
	}
	p.Short = "Watched for " + p.Observed + "."
	if len(short) > 0 {
		p.Short = "Your controls kept in range: " + strings.Join(short, ", ") + " of " + p.Observed + "."
	}
	for i := range b.Plugs {
		x := &b.Plugs[i]
		if x.Observed <= 0 {
			continue
		}
		l := besideLine{Name: x.Name, Runs: times(x.Switches), Wishes: times(x.WantedSwitches)}
		for j := range c.Plugs {
			if c.Plugs[j].Name == x.Name {
				l.Name = plugName(x.Name, c.Plugs[j].Role)
			}
		}
		l.Ran, l.Share = ran(x.On, x.Observed)
		l.Wanted, l.Wishing = ran(x.Wanted, x.Observed)
		p.Plugs = append(p.Plugs, l)
	}
	return p
}

// ran writes a time with its share of another, and gives that share in hundredths.
func ran(d, of api.Duration) (string, float64) {
	share := float64(d) / float64(of)
	return words.Duration(time.Duration(d)) + ", " + words.Percent(share, 0), place(share, 0, 1)
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

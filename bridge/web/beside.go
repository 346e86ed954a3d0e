package web

import (
	"time"

	"gillkeeper/bridge/web/api"
)

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

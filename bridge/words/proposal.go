package words

import (
	"fmt"

	"gillkeeper/policy/crop"
)

// Proposal says why a batch seems to have reached another stage, a sentence for each ground.
func (w Words) Proposal(p *crop.Proposal) []string {
	var out []string
	if p.ByTime {
		out = append(out, fmt.Sprintf("It has been in %s for %s days; %s are usual.", p.From, trim(Number(p.Days, 1)), span(p.Low, p.High)))
	}
	if p.ByBreath {
		verb := "rose"
		if p.Is < p.Was {
			verb = "fell"
		}
		out = append(out, fmt.Sprintf("The crop's respiration %s from %s to %s g/h of CO2 (both as at 20 °C).", verb, Number(p.Was, 2), Number(p.Is, 2)))
	}
	return out
}

func span(low, high float64) string {
	if low == high {
		return trim(Number(low, 1))
	}
	return trim(Number(low, 1)) + " to " + trim(Number(high, 1))
}

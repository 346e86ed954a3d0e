package learn

import (
	"math"

	"gillkeeper/policy/plant"
)

// Shape gives a simulated chamber what was learned of the real one, as far as that is known; airC is the temperature at
// which its crop gave off the CO2.
func (k *Knowledge) Shape(p *plant.Params, airC float64) {
	if k.FanOff.Known {
		p.LeakPerHour = k.FanOff.Value / math.Sqrt(1+p.LeakPerK) // at a difference of about a kelvin
	}
	if k.FanOn.Known {
		p.FanM3PerH = max(0.5, (k.FanOn.Value-p.LeakPerHour)*p.VolumeM3)
	}
	if k.MistGPerH.Known {
		p.MistGPerH = k.MistGPerH.Value
	}
	if k.CO2GPerH.Known {
		if made := p.RespirationAt(airC, p.FruitKg); made > 0 {
			share := k.CO2GPerH.Value / made
			p.SubstrateCO2 *= share
			p.FruitCO2 *= share
		}
	}
}

package sizing

import "gillkeeper/policy/species"

// CO2GPerH is the carbon dioxide in grams an hour that a load of wet substrate most likely gives off at a stage and temperature, with
// the fruit bodies that usually stand on it while fruiting. An estimate, like what it rests on.
func CO2GPerH(name string, stage species.Stage, substrateKg, celsius float64) float64 {
	r := priorsOf(name, stage)
	grams := warmed(r.substrate, celsius).Likely * substrateKg
	if stage == species.Fruiting {
		grams += warmed(r.fruit, celsius).Likely * expectedFruit(substrateKg).Likely
	}
	return grams
}

// Prints the reference grid for policy/air, worked out by the general-purpose psychrometric library PsychroLib.
//
//	npm install && npm run generate
//
// The saturation pressure, dew point and wet bulb of that library are over ice at and below 0.01 °C and over liquid
// water above.
'use strict';
const psy = require('psychrolib');
const { version } = require('psychrolib/package.json');
psy.SetUnitSystem(psy.SI);

const lines = [
  `# Reference grid of moist air. Source: PsychroLib, package psychrolib ${version} of the npm registry (MIT license; its`,
  '# source names itself version 2.5.0), which follows the ASHRAE Handbook, Fundamentals 2017, chapter 1. Made by',
  '# generate.cjs beside this file. Over ice where a temperature is at or below 0.01 °C; its wet bulb and dew point are',
  '# iterated to 0.001 K.',
  't_c,rh,altitude_m,pressure_pa,saturation_pa,humidity_ratio,dew_or_frost_point_c,wet_bulb_c,enthalpy_j_per_kg,volume_m3_per_kg,density_kg_per_m3,deficit_pa',
];
for (const z of [0, 1500]) {
  const p = psy.GetStandardAtmPressure(z);
  for (let t = -5; t <= 40; t += 2.5) {
    for (const rh of [0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.85, 0.9, 0.95, 1]) {
      const w = psy.GetHumRatioFromRelHum(t, rh, p);
      lines.push([
        t, rh, z, p.toFixed(3), psy.GetSatVapPres(t).toPrecision(9), w.toPrecision(9),
        psy.GetTDewPointFromRelHum(t, rh).toFixed(5), psy.GetTWetBulbFromRelHum(t, rh, p).toFixed(5),
        psy.GetMoistAirEnthalpy(t, w).toFixed(3), psy.GetMoistAirVolume(t, w, p).toPrecision(9),
        psy.GetMoistAirDensity(t, w, p).toPrecision(9),
        psy.GetVaporPressureDeficit(t, w, p).toFixed(4),
      ].join(','));
    }
  }
}
console.log(lines.join('\n'));

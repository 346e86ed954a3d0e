package api

import "time"

// Sensors is every sensor of a chamber, in the order of the configuration.
type Sensors struct {
	Chamber string    `json:"chamber"`
	At      time.Time `json:"at" doc:"of this picture"`
	Sensors []Sensor  `json:"sensors"`
}

// Sensor is one sensor as it is now. Its values are in the quantity's unit: ratio, degrees Celsius, ppm, lux.
type Sensor struct {
	Name        string        `json:"name"`
	Quantity    string        `json:"quantity"`
	Place       string        `json:"place" doc:"chamber or room"`
	Value       *float64      `json:"value,omitempty" doc:"corrected; absent: none yet"`
	At          *time.Time    `json:"at,omitempty" doc:"of the last reading that was used"`
	Raw         *float64      `json:"raw,omitempty" doc:"the last reading as the sensor gave it"`
	RawAt       *time.Time    `json:"raw_at,omitempty" doc:"of the last reading, used or not"`
	Fresh       bool          `json:"fresh" doc:"takes part in the vote"`
	Silent      bool          `json:"silent" doc:"nothing heard for longer than its max_age, or declared gone"`
	Suspect     string        `json:"suspect,omitempty" doc:"why it is not trusted"`
	Aside       *time.Time    `json:"aside_until,omitempty" doc:"set aside: watched and not used until then"`
	Calibration *Calibration  `json:"calibration,omitempty" doc:"the correction in use"`
	Earlier     []Calibration `json:"earlier,omitempty" doc:"corrections before it, the newest first"`
}

// Calibration is a correction: value = slope · reading + offset.
type Calibration struct {
	Method      string         `json:"method" doc:"salts or fresh_air"`
	At          time.Time      `json:"at"`
	Slope       float64        `json:"slope"`
	Offset      float64        `json:"offset" doc:"in the quantity's unit"`
	Uncertainty float64        `json:"standard_uncertainty" doc:"half way between low and high, in the quantity's unit"`
	Low         float64        `json:"low" doc:"readings between which it was found; beyond them it is extrapolated"`
	High        float64        `json:"high"`
	Drift       float64        `json:"drift" doc:"by how much a reading half way between low and high comes out differently than before"`
	Before      *time.Time     `json:"before,omitempty" doc:"date of the correction before; absent: there was none"`
	Salts       []SaltPoint    `json:"salts,omitempty"`
	FreshAir    *FreshAirPoint `json:"fresh_air,omitempty"`
}

// SaltNames lists the salts that it was found by; none for fresh air.
func (c *Calibration) SaltNames() []string {
	var names []string
	for _, p := range c.Salts {
		names = append(names, p.Salt)
	}
	return names
}

// SaltPoint is a settled reading over a saturated salt solution.
type SaltPoint struct {
	Salt         string  `json:"salt" doc:"nacl, kcl, k2so4, mgcl2, licl or kno3"`
	TemperatureC float64 `json:"temperature_c" doc:"beside the salt"`
	Reading      float64 `json:"reading" doc:"ratio, as the sensor gave it"`
	Noise        float64 `json:"noise,omitempty" doc:"standard deviation of reading"`
}

// FreshAirPoint is a settled reading of a CO2 sensor in fresh air.
type FreshAirPoint struct {
	Reading  float64 `json:"reading" doc:"ppm, as the sensor gave it"`
	Noise    float64 `json:"noise,omitempty" doc:"standard deviation of reading"`
	Expected float64 `json:"expected,omitempty" doc:"ppm that fresh air holds; absent: 425"`
}

// Calibrate corrects a sensor from now on, by one or two salts or by fresh air.
type Calibrate struct {
	ID       string         `json:"id,omitempty" doc:"of the caller's making; the same action twice is done once"`
	Salts    []SaltPoint    `json:"salts,omitempty" doc:"for relative humidity: one point, or two"`
	FreshAir *FreshAirPoint `json:"fresh_air,omitempty" doc:"for CO2"`
	Note     string         `json:"note,omitempty"`
}

// SetAside has a sensor watched and not used for a while, or takes it back.
type SetAside struct {
	ID   string   `json:"id,omitempty" doc:"of the caller's making; the same action twice is done once"`
	For  Duration `json:"for,omitempty" doc:"absent: take it back"`
	Note string   `json:"note,omitempty"`
}

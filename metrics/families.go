package metrics

// Kind is a family's type as the exposition format names it.
type Kind string

// The kinds.
const (
	Gauge     Kind = "gauge"
	Counter   Kind = "counter"
	Histogram Kind = "histogram"
)

// Family declares one family of series. The collector and the documentation are both made from the table.
type Family struct {
	Name   string
	Kind   Kind
	Labels []string
	Unit   string // what a value is in; "" for flags and counts
	Help   string
}

// id is a family's place in the table.
type id int

const (
	airTemperature id = iota
	airHumidity
	airCO2
	airIlluminance
	airDewPoint
	airDeficit
	airHumidityRatio
	target
	sensorFresh
	sensorLast
	sensorSlope
	sensorOffset
	sensorCalibrated
	plugCommanded
	plugReported
	plugCommandedLevel
	plugReportedLevel
	plugWear
	plugWearPrice
	plugWatts
	plugSeconds
	plugSwitches
	plugHand
	reservoirLiters
	reservoirEmptyIn
	learnedChanges
	airChanges
	airChangesHalf
	fanFlow
	fanFlowHalf
	co2Generation
	co2GenerationHalf
	mistOutput
	mistOutputHalf
	mistEvaporated
	mistEvaporatedHalf
	stageSeconds
	inRangeSeconds
	observedSeconds
	batchInfo
	harvestGrams
	flushGrams
	efficiency
	alarmActive
	stepTimestamp
	brokerConnected
	messages
	decisionDuration
	journalFailing
	configGood
	configTimestamp
	buildInfo
	notifications
	notificationsWaiting
	count // how many there are
)

var families = [count]Family{
	airTemperature: {"gillkeeper_air_temperature_celsius", Gauge, []string{"chamber", "place"}, "°C",
		"Air temperature, voted over the sensors of the place; absent without a fresh, trusted reading."},
	airHumidity: {"gillkeeper_air_relative_humidity_ratio", Gauge, []string{"chamber", "place"}, "ratio",
		"Relative humidity of the air over water, 0 to 1, voted; absent without a fresh, trusted reading."},
	airCO2: {"gillkeeper_air_co2_ppm", Gauge, []string{"chamber", "place"}, "ppm",
		"Carbon dioxide in the air, parts per million by volume, voted; absent without a fresh, trusted reading."},
	airIlluminance: {"gillkeeper_air_illuminance_lux", Gauge, []string{"chamber", "place"}, "lx",
		"Illuminance, voted; absent without a fresh, trusted reading."},
	airDewPoint: {"gillkeeper_air_dew_point_celsius", Gauge, []string{"chamber", "place"}, "°C",
		"Dew point over water, derived from temperature and relative humidity; absent unless both are fresh."},
	airDeficit: {"gillkeeper_air_vapor_pressure_deficit_pascals", Gauge, []string{"chamber", "place"}, "Pa",
		"Vapor pressure deficit at the air's own temperature, derived; absent unless temperature and humidity are fresh."},
	airHumidityRatio: {"gillkeeper_air_humidity_ratio", Gauge, []string{"chamber", "place"}, "kg/kg",
		"Humidity ratio, kg of water vapor per kg of dry air, derived; absent unless temperature and humidity are fresh."},
	target: {"gillkeeper_target", Gauge, []string{"chamber", "quantity", "bound"}, "that of the quantity",
		"What is wanted now: bound low, aim or high, in the unit of the quantity's own metric; absent without a batch."},
	sensorFresh: {"gillkeeper_sensor_fresh", Gauge, []string{"chamber", "sensor"}, "",
		"1 while the sensor's last reading is younger than its longest age and it is not under suspicion, else 0."},
	sensorLast: {"gillkeeper_sensor_last_reading_timestamp_seconds", Gauge, []string{"chamber", "sensor"}, "s",
		"When the sensor last delivered a reading, seconds since 1970; absent before the first."},
	sensorSlope: {"gillkeeper_sensor_calibration_slope", Gauge, []string{"chamber", "sensor"}, "",
		"Slope of the correction in use: value = slope * reading + offset; absent without one."},
	sensorOffset: {"gillkeeper_sensor_calibration_offset", Gauge, []string{"chamber", "sensor"}, "that of the quantity",
		"Offset of the correction in use, in the unit of the quantity's own metric; absent without one."},
	sensorCalibrated: {"gillkeeper_sensor_calibrated_timestamp_seconds", Gauge, []string{"chamber", "sensor"}, "s",
		"When the sensor was calibrated, seconds since 1970; absent without a correction."},
	plugCommanded: {"gillkeeper_plug_commanded_on", Gauge, []string{"chamber", "plug", "role"}, "",
		"1 when the plug was last told to be on, 0 when off; absent before the first command."},
	plugReported: {"gillkeeper_plug_reported_on", Gauge, []string{"chamber", "plug", "role"}, "",
		"1 when the plug says that it is on, 0 when off; absent while it has not said so since the broker was last reached."},
	plugCommandedLevel: {"gillkeeper_plug_commanded_level_ratio", Gauge, []string{"chamber", "plug", "role"}, "ratio",
		"Share of full output that a plug which can be dimmed was last told, 0 when off; absent for others and before the first command."},
	plugReportedLevel: {"gillkeeper_plug_reported_level_ratio", Gauge, []string{"chamber", "plug", "role"}, "ratio",
		"Share of full output that a plug which can be dimmed says it gives; absent while it has not said so since the broker was last reached."},
	plugWear: {"gillkeeper_plug_budget_switches", Gauge, []string{"chamber", "plug", "role"}, "",
		"Switchings of the present day of the plug's budget; absent without a budget. The day begins when the daemon first saw the budget."},
	plugWearPrice: {"gillkeeper_plug_switching_price_ratio", Gauge, []string{"chamber", "plug", "role"}, "ratio",
		"By how much the plan makes a switching dearer so that the budget holds; 1 while it does by itself, absent without a budget."},
	plugWatts: {"gillkeeper_plug_power_watts", Gauge, []string{"chamber", "plug", "role"}, "W",
		"Power that the plug last reported; absent while it has not told it since the broker was last reached."},
	plugSeconds: {"gillkeeper_plug_on_seconds_total", Counter, []string{"chamber", "plug", "role"}, "s",
		"Time for which the plug was on, to the best knowledge; survives a restart."},
	plugSwitches: {"gillkeeper_plug_switches_total", Counter, []string{"chamber", "plug", "role"}, "",
		"How often the plug went on or off; survives a restart."},
	plugHand: {"gillkeeper_plug_hand_active", Gauge, []string{"chamber", "plug", "role"}, "",
		"1 while the plug is controlled by hand, else 0."},
	reservoirLiters: {"gillkeeper_reservoir_liters", Gauge, []string{"chamber"}, "l",
		"Estimate of the water left in the humidifier's reservoir; absent until known."},
	reservoirEmptyIn: {"gillkeeper_reservoir_empty_in_seconds", Gauge, []string{"chamber"}, "s",
		"Forecast of when the reservoir runs dry at the present use; absent until known."},
	learnedChanges: {"gillkeeper_learned_changes_total", Counter, []string{"chamber"}, "",
		"Jumps found in what was learned of the chamber, as after a harvest or a new filter; survives a restart."},
	airChanges: {"gillkeeper_air_changes_per_hour", Gauge, []string{"chamber", "state"}, "1/h",
		"Learned air changes per hour with the exhaust fan running (fan_on) and at rest (fan_off); absent until known."},
	airChangesHalf: {"gillkeeper_air_changes_per_hour_uncertainty", Gauge, []string{"chamber", "state"}, "1/h",
		"Half the width of the interval that holds the truth of gillkeeper_air_changes_per_hour in nine of ten cases; absent until known."},
	fanFlow: {"gillkeeper_fan_flow_cubic_meters_per_hour", Gauge, []string{"chamber"}, "m3/h",
		"Learned air that the exhaust fan moves per hour of on-time; absent until known."},
	fanFlowHalf: {"gillkeeper_fan_flow_cubic_meters_per_hour_uncertainty", Gauge, []string{"chamber"}, "m3/h",
		"Half the width of the interval that holds the truth of gillkeeper_fan_flow_cubic_meters_per_hour in nine of ten cases; absent until known."},
	co2GenerationHalf: {"gillkeeper_co2_generation_grams_per_hour_uncertainty", Gauge, []string{"chamber"}, "g/h",
		"Half the width of the interval that holds the truth of gillkeeper_co2_generation_grams_per_hour in nine of ten cases; absent until known."},
	mistEvaporatedHalf: {"gillkeeper_humidifier_evaporated_grams_per_hour_uncertainty", Gauge, []string{"chamber"}, "g/h",
		"Half the width of the interval that holds the truth of gillkeeper_humidifier_evaporated_grams_per_hour in nine of ten cases; absent until known."},
	co2Generation: {"gillkeeper_co2_generation_grams_per_hour", Gauge, []string{"chamber"}, "g/h",
		"Learned respiration of the crop, grams of carbon dioxide per hour; absent until known."},
	mistOutput: {"gillkeeper_humidifier_output_grams_per_hour", Gauge, []string{"chamber"}, "g/h",
		"Learned water drawn from the reservoir per hour of on-time: by its label and what the air shows, then by fillings seen from full to dry; absent until more is known than the label."},
	mistOutputHalf: {"gillkeeper_humidifier_output_grams_per_hour_uncertainty", Gauge, []string{"chamber"}, "g/h",
		"Half the width of the interval that holds the truth of gillkeeper_humidifier_output_grams_per_hour in nine of ten cases; absent until known."},
	mistEvaporated: {"gillkeeper_humidifier_evaporated_grams_per_hour", Gauge, []string{"chamber"}, "g/h",
		"Learned part of the humidifier's output that becomes vapor in the air; absent until known."},
	stageSeconds: {"gillkeeper_stage_seconds_total", Counter, []string{"chamber", "batch", "species", "stage", "flush"}, "s",
		"Time that a batch has spent in a stage of a flush; survives a restart. What was counted before a move was written down late stays with the stage before."},
	inRangeSeconds: {"gillkeeper_in_range_seconds_total", Counter, []string{"chamber", "quantity", "stage"}, "s",
		"Time for which the quantity was observed to be in its range during a stage; survives a restart."},
	observedSeconds: {"gillkeeper_observed_seconds_total", Counter, []string{"chamber", "quantity", "stage"}, "s",
		"Time for which the quantity was observed during a stage; survives a restart."},
	batchInfo: {"gillkeeper_batch_info", Gauge, []string{"chamber", "batch", "species", "stage", "flush"}, "",
		"1 for each batch in the chamber, with its present stage and flush."},
	harvestGrams: {"gillkeeper_harvest_fresh_grams_total", Counter, []string{"chamber", "batch", "species", "flush"}, "g",
		"Fresh weight harvested of a flush; survives a restart. Where a harvest is undone or corrected downward it stands still until more is picked."},
	flushGrams: {"gillkeeper_flush_fresh_grams", Gauge, []string{"chamber", "batch", "species", "flush"}, "g",
		"Fresh weight harvested of a flush as the record has it now; falls where a harvest is undone or corrected."},
	efficiency: {"gillkeeper_biological_efficiency_ratio", Gauge, []string{"chamber", "batch", "species", "flush"}, "ratio",
		"Fresh weight harvested of a flush by the dry weight of the batch's substrate; absent while that is not known."},
	alarmActive: {"gillkeeper_alarm_active", Gauge, []string{"chamber", "alarm", "priority"}, "",
		"1 while the alarm is active, else 0; an alarm worse than declared is active under the higher priority."},
	stepTimestamp: {"gillkeeper_last_decision_timestamp_seconds", Gauge, []string{"chamber"}, "s",
		"When the chamber was last decided on, seconds since 1970."},
	brokerConnected: {"gillkeeper_broker_connected", Gauge, nil, "",
		"1 while the connection to the broker is open, else 0."},
	messages: {"gillkeeper_messages_total", Counter, []string{"chamber", "result"}, "",
		"Messages from sensors and plugs, by what became of them."},
	decisionDuration: {"gillkeeper_decision_duration_seconds", Histogram, nil, "s",
		"How long one decision on one chamber took."},
	journalFailing: {"gillkeeper_journal_failing", Gauge, nil, "",
		"1 while the journal cannot be written, else 0."},
	configGood: {"gillkeeper_config_last_reload_successful", Gauge, nil, "",
		"1 when the last attempt to take a configuration succeeded, else 0: the one before is still in use."},
	configTimestamp: {"gillkeeper_config_last_reload_success_timestamp_seconds", Gauge, nil, "s",
		"When a configuration was last taken, seconds since 1970."},
	buildInfo: {"gillkeeper_build_info", Gauge, []string{"version", "revision", "goversion"}, "",
		"1, labeled with what this program was built from."},
	notifications: {"gillkeeper_notifications_total", Counter, []string{"result"}, "",
		"Messages to people: sent, dropped (given up), and failed attempts that are repeated."},
	notificationsWaiting: {"gillkeeper_notifications_waiting", Gauge, nil, "",
		"Messages to people that wait to be sent."},
}

// Families lists every family of the program's own, in the order in which documentation shows them.
func Families() []Family {
	out := make([]Family, count)
	copy(out, families[:])
	return out
}

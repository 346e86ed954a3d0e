// Package api is the data of the HTTP API: what the server writes and the commands read. Values are in the program's
// units (ratio, degrees Celsius, ppm by volume, grams, liters), moments on the calendar's clock in RFC 3339, durations as
// Go writes them ("15m0s"). Sentences are in the site's own units and time.
//
// It must never hold logic. Start reading at [Chamber] for what is read and at [HandSet] for what is sent.
package api

import (
	"fmt"
	"time"
)

// Base is the path under which the API lies.
const Base = "/api/v1"

// Duration is a length of time that reads and writes as Go's durations: "15m", "1h30m".
type Duration time.Duration

// MarshalText writes the duration as Go does.
func (d Duration) MarshalText() ([]byte, error) { return []byte(time.Duration(d).String()), nil }

// UnmarshalText reads a duration as Go does.
func (d *Duration) UnmarshalText(b []byte) error {
	v, err := time.ParseDuration(string(b))
	if err != nil {
		return fmt.Errorf("%q is not a duration; write it like 15m or 1h30m", b)
	}
	*d = Duration(v)
	return nil
}

// Site is the daemon as a whole.
type Site struct {
	Name               string    `json:"name" doc:"the site's name"`
	Timezone           string    `json:"timezone,omitempty" doc:"IANA name; absent: the daemon's machine has its own"`
	UTCOffsetSeconds   int       `json:"utc_offset_seconds" doc:"of the site's time now, east of UTC"`
	DisplayTemperature string    `json:"display_temperature" doc:"celsius or fahrenheit: what sentences and pages show"`
	DisplayClock       string    `json:"display_clock" doc:"24h or 12h: how sentences and pages write the time of day"`
	Now                time.Time `json:"now" doc:"the daemon's calendar clock"`
	Version            string    `json:"version"`
	Ready              bool      `json:"ready" doc:"configuration in use, broker connected, every chamber decided once"`
	NotReady           string    `json:"not_ready,omitempty" doc:"why not"`
	Chambers           int       `json:"chambers"`
	TokenNeeded        bool      `json:"token_needed" doc:"actions need a bearer token"`
	Acts               bool      `json:"acts" doc:"actions are taken at all"`
	// Notifications are the places that messages to people go to.
	Notifications []Notification `json:"notifications,omitempty" doc:"the places that messages to people go to"`
}

// Chambers is a list of chambers, by name.
type Chambers struct {
	Chambers []Chamber `json:"chambers"`
}

// Chamber is one chamber as it is now.
type Chamber struct {
	Name      string     `json:"name"`
	At        time.Time  `json:"at" doc:"of this picture"`
	Observe   bool       `json:"observe" doc:"decides and shows, commands nothing"`
	Worst     string     `json:"worst" doc:"priority of the worst standing alarm (low, medium, high, urgent), or none"`
	Air       Places     `json:"air"`
	Target    Target     `json:"target"`
	Batches   []Batch    `json:"batches" doc:"not retired"`
	Plugs     []Plug     `json:"plugs"`
	Reservoir *Reservoir `json:"reservoir,omitempty" doc:"of the humidifier, where there is one"`
	Alarms    []Alarm    `json:"alarms" doc:"every alarm that is not at rest, the worst first"`
	BrokerOut *time.Time `json:"broker_lost_since,omitempty" doc:"since when the broker is away"`
	Beside    *Beside    `json:"beside,omitempty" doc:"where it is only observed: what the controls in charge do, beside what this daemon would do"`
	Sensors   []Sensor   `json:"sensors,omitempty" doc:"where one chamber alone is asked for"`
	Learned   *Learned   `json:"learned,omitempty" doc:"where one chamber alone is asked for"`
}

// Places is the air of the chamber and of the room around it.
type Places struct {
	Chamber Air `json:"chamber"`
	Room    Air `json:"room"`
}

// Air is what is measured at one place, and what follows from it. What is not measured is absent.
type Air struct {
	RelativeHumidity *Reading `json:"relative_humidity,omitempty" doc:"ratio 0..1"`
	TemperatureC     *Reading `json:"temperature_c,omitempty"`
	CO2PPM           *Reading `json:"co2_ppm,omitempty" doc:"by volume"`
	IlluminanceLux   *Reading `json:"illuminance_lux,omitempty"`
	DewPointC        *float64 `json:"dew_point_c,omitempty" doc:"from fresh readings only"`
	VaporDeficitPa   *float64 `json:"vapor_pressure_deficit_pa,omitempty" doc:"from fresh readings only"`
}

// Reading is the voted value of one quantity.
type Reading struct {
	Value   float64    `json:"value"`
	Fresh   bool       `json:"fresh" doc:"false: last known, not to be relied on"`
	At      *time.Time `json:"at,omitempty" doc:"of the newest reading that took part"`
	Sensors int        `json:"sensors" doc:"how many took part"`
	Range   string     `json:"range,omitempty" doc:"below, within or above the target's range"`
}

// Band is a range with the value to aim at.
type Band struct {
	Low  float64 `json:"low"`
	Aim  float64 `json:"aim"`
	High float64 `json:"high"`
}

// Target is the climate wanted now.
type Target struct {
	Given            bool       `json:"given" doc:"false: nothing grows here, or the climate table has no row for it"`
	Stage            string     `json:"stage,omitempty" doc:"the most delicate present"`
	RelativeHumidity *Band      `json:"relative_humidity,omitempty" doc:"ratio"`
	TemperatureC     *Band      `json:"temperature_c,omitempty"`
	CO2MinPPM        float64    `json:"co2_min_ppm,omitempty" doc:"absent: none"`
	CO2MaxPPM        float64    `json:"co2_max_ppm,omitempty" doc:"absent: none"`
	FAEPerHour       float64    `json:"fae_per_hour,omitempty" doc:"air changes per hour"`
	LightHours       float64    `json:"light_hours" doc:"a day; 0 is dark"`
	LightsOn         string     `json:"lights_on,omitempty" doc:"hh:mm, site time"`
	Conflicts        []Conflict `json:"conflicts,omitempty"`
}

// Conflict says that two batches want ranges that do not meet.
type Conflict struct {
	Quantity string  `json:"quantity"`
	Followed string  `json:"followed" doc:"batch"`
	Slighted string  `json:"slighted" doc:"batch"`
	Low      float64 `json:"low" doc:"what the slighted batch wants"`
	High     float64 `json:"high"`
	Text     string  `json:"text"`
}

// Plug is a switched outlet.
type Plug struct {
	Name      string     `json:"name"`
	Role      string     `json:"role"`
	On        bool       `json:"on" doc:"what it does, as far as known"`
	Known     bool       `json:"known" doc:"false: it was never told and has not reported"`
	Level     *float64   `json:"level,omitempty" doc:"share of full output, of a plug that can be dimmed; 0 when off"`
	Wear      *Wear      `json:"wear,omitempty" doc:"what its budget of switchings has come to, where it has one"`
	Commanded *bool      `json:"commanded,omitempty" doc:"what it was told last"`
	Reported  *bool      `json:"reported,omitempty" doc:"what it says of itself"`
	Since     *time.Time `json:"since,omitempty" doc:"of the last change"`
	Watts     *float64   `json:"watts,omitempty"`
	Hand      *Hand      `json:"hand,omitempty" doc:"who holds it, if somebody does"`
	Reasons   []Reason   `json:"reasons" doc:"of the present decision, the strongest first"`
}

// Wear is what a plug's budget of switchings has come to.
type Wear struct {
	PerDay float64   `json:"per_day" doc:"the budget: on and off each count"`
	Used   int64     `json:"used" doc:"in the present day of the budget"`
	Since  time.Time `json:"since" doc:"when that day began"`
	Price  float64   `json:"price" doc:"by how much the plan makes a switching dearer so that the budget holds"`
	// The crop comes first.
	GivesWay bool `json:"gives_way,omitempty" doc:"the plug is switched more than the budget allows, because less would harm the crop"`
}

// Hand is a person's hold on a plug.
type Hand struct {
	On     bool      `json:"on"`
	AtPlug bool      `json:"at_plug" doc:"switched at the plug itself, not by command"`
	Until  time.Time `json:"until"`
}

// Reason is one ground of a decision, as data and in words. Which numbers count depends on the code.
type Reason struct {
	Code      string     `json:"code"`
	Text      string     `json:"text"`
	Quantity  string     `json:"quantity,omitempty"`
	Value     float64    `json:"value"`
	Bound     float64    `json:"bound"`
	Predicted float64    `json:"predicted"`
	For       Duration   `json:"for,omitempty"`
	Until     *time.Time `json:"until,omitempty"`
	Other     string     `json:"other,omitempty"`
	Plan      *Plan      `json:"plan,omitempty" doc:"of code planned: what was expected"`
}

// Plan is what was expected of the next minutes with a run of the plug and without it, the other plugs as planned.
type Plan struct {
	Ahead   Duration `json:"ahead" doc:"how far it looks"`
	Runs    bool     `json:"runs" doc:"the run was chosen, not the rest"`
	In      Duration `json:"in,omitempty" doc:"until the run begins; of a plug that runs and is to rest, until it ends"`
	For     Duration `json:"for" doc:"its length; of a plug that runs, what is left of it, or how much longer it might have run"`
	Level   float64  `json:"level,omitempty" doc:"share of full output, of a plug that can be dimmed"`
	Now     PlanAir  `json:"now"`
	With    Course   `json:"with"`
	Without Course   `json:"without"`
	Decided string   `json:"decided,omitempty" doc:"the cost by which the other way would have been dearest: too_dry, too_wet, too_stale, too_fresh, sooner, switching, water, fan_run"`
	Text    string   `json:"text,omitempty" doc:"what decided, in words"`
}

// PlanAir is the chamber's air at a moment of a plan.
type PlanAir struct {
	RelativeHumidity float64 `json:"relative_humidity" doc:"ratio"`
	CO2PPM           float64 `json:"co2_ppm,omitempty" doc:"absent where nobody measures CO2"`
	TemperatureC     float64 `json:"temperature_c"`
}

// Course is how the air is expected to go, quantity by quantity.
type Course struct {
	Low  PlanAir `json:"low"`
	High PlanAir `json:"high"`
	End  PlanAir `json:"end"`
}

// Why is the last decision about each plug at or before a moment.
type Why struct {
	Chamber string    `json:"chamber"`
	At      time.Time `json:"at"`
	Past    bool      `json:"past" doc:"asked for a moment: the last switch before it, not the present decision"`
	Plugs   []WhyPlug `json:"plugs"`
	Then    *Then     `json:"then,omitempty" doc:"of a past moment: what the record holds of it"`
}

// WhyPlug is why one plug is or was as it is or was.
type WhyPlug struct {
	Name    string     `json:"name"`
	Role    string     `json:"role,omitempty" doc:"absent when the plug is no longer configured"`
	On      bool       `json:"on" doc:"decided"`
	Since   *time.Time `json:"since,omitempty"`
	Reasons []Reason   `json:"reasons"`
	Share   *float64   `json:"share,omitempty" doc:"of a past moment: the share of time on in the stretch recorded around it"`
}

// Reservoir is the humidifier's water, as far as it is known.
type Reservoir struct {
	Known          bool      `json:"known" doc:"false: liters mean nothing"`
	Liters         float64   `json:"liters" doc:"estimated to be left"`
	LowLiters      float64   `json:"low_liters" doc:"nine times in ten the truth lies between low and high"`
	HighLiters     float64   `json:"high_liters"`
	CapacityLiters float64   `json:"capacity_liters,omitempty" doc:"absent: not known"`
	EmptyIn        *Duration `json:"empty_in,omitempty" doc:"at the present use; absent: cannot be told"`
	Dry            bool      `json:"dry"`
	Text           string    `json:"text"`
}

// Batches is a list of batches, by chamber and name.
type Batches struct {
	Batches []Batch `json:"batches"`
}

// Batch is a set of blocks or trays of one species.
type Batch struct {
	Name                 string         `json:"name"`
	Chamber              string         `json:"chamber"`
	Species              string         `json:"species"`
	Strain               string         `json:"strain,omitempty"`
	SubstrateKg          float64        `json:"substrate_kg" doc:"wet"`
	DryKg                float64        `json:"dry_kg"`
	Added                time.Time      `json:"added"`
	Stage                string         `json:"stage"`
	StageSince           time.Time      `json:"stage_since"`
	StageDay             int            `json:"stage_day" doc:"from 1"`
	Flush                int            `json:"flush" doc:"crop number, from 1"`
	FreshG               float64        `json:"fresh_g" doc:"harvested, all flushes"`
	BiologicalEfficiency float64        `json:"biological_efficiency" doc:"fresh weight harvested / dry substrate weight"`
	Flushes              []Flush        `json:"flushes"`
	Retired              *time.Time     `json:"retired,omitempty"`
	Supplements          string         `json:"supplements,omitempty" doc:"to the substrate"`
	Position             string         `json:"position,omitempty" doc:"where in the chamber"`
	Inoculated           *time.Time     `json:"inoculated,omitempty"`
	Proposal             *StageProposal `json:"proposal,omitempty" doc:"the stage that it seems to have reached"`
}

// Flush is what one crop gave.
type Flush struct {
	Number   int        `json:"number"`
	FreshG   float64    `json:"fresh_g"`
	Pickings int        `json:"pickings"`
	Closed   *time.Time `json:"closed,omitempty"`
}

// Alarms is a list of alarms, the worst first.
type Alarms struct {
	Alarms []Alarm `json:"alarms"`
}

// Alarm is one alarm of one chamber. States are those of ISA-18.2 and IEC 62682.
type Alarm struct {
	Chamber      string     `json:"chamber"`
	Alarm        string     `json:"alarm"`
	Priority     string     `json:"priority" doc:"low, medium, high, urgent"`
	State        string     `json:"state"`
	Active       bool       `json:"active" doc:"it stands: not shelved, suppressed, out of service or returned to normal"`
	Since        *time.Time `json:"since,omitempty" doc:"of the state"`
	Says         string     `json:"says"`
	Detail       string     `json:"detail,omitempty" doc:"the numbers behind it"`
	Cause        string     `json:"cause"`
	Consequence  string     `json:"consequence"`
	Do           string     `json:"do" doc:"what a person should do"`
	About        string     `json:"about,omitempty" doc:"sensor, plug, batch or file; the first of several"`
	Also         string     `json:"also,omitempty" doc:"the others, with commas between them"`
	FollowsFrom  string     `json:"follows_from,omitempty" doc:"the alarm that this one follows from"`
	ShelvedUntil *time.Time `json:"shelved_until,omitempty"`
}

// Events is what was logged of a chamber, oldest first.
type Events struct {
	Chamber string  `json:"chamber"`
	Events  []Event `json:"events"`
}

// Event is something that was worth keeping.
type Event struct {
	At      time.Time `json:"at"`
	Kind    string    `json:"kind"`
	Plug    string    `json:"plug,omitempty"`
	On      bool      `json:"on,omitempty"`
	Alarm   string    `json:"alarm,omitempty"`
	State   string    `json:"state,omitempty" doc:"of the alarm"`
	Action  string    `json:"action,omitempty" doc:"what a person did"`
	By      string    `json:"by,omitempty" doc:"how it came: command, page, topic"`
	Reasons []Reason  `json:"reasons,omitempty"`
}

// Ready answers /readyz.
type Ready struct {
	Ready  bool   `json:"ready"`
	Reason string `json:"reason,omitempty" doc:"why not"`
}

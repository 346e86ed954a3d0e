package api

import "time"

// Outlook is how a chamber will fare while nobody is there. Moments lie on the calendar.
type Outlook struct {
	Chamber  string    `json:"chamber"`
	From     time.Time `json:"from"`
	Until    time.Time `json:"until" doc:"the return"`
	Runs     int       `json:"runs" doc:"simulated chambers that the answer rests on"`
	Learned  bool      `json:"learned" doc:"the chamber is known by its own readings, not by what such chambers are"`
	Thorough bool      `json:"thorough" doc:"every hour was simulated"`
	Verdict  string    `json:"verdict" doc:"leave, leave_after (the deeds that must be done) or do_not_leave"`
	Answer   string    `json:"answer" doc:"the same in words"`
	SafeFor  Duration  `json:"safe_for" doc:"how long to be away at the most by water and crop, all deeds done"`

	Because []OutlookLine   `json:"because" doc:"what speaks against leaving"`
	Deeds   []OutlookLine   `json:"deeds" doc:"before leaving, the most needed first"`
	Water   *OutlookWater   `json:"water,omitempty" doc:"where there is a humidifier"`
	Ranges  []OutlookRange  `json:"ranges" doc:"provided that the reservoir does not run dry"`
	Due     []OutlookDue    `json:"due" doc:"until the return, soonest first"`
	Gaps    []OutlookLine   `json:"gaps" doc:"what could go wrong and no sensor would show"`
	Alarms  []OutlookStands `json:"alarms" doc:"that stand now"`
}

// OutlookLine is one point, as data and in words.
type OutlookLine struct {
	Code     string     `json:"code"`
	Text     string     `json:"text"`
	Must     bool       `json:"must,omitempty" doc:"a deed without which not to leave"`
	Quantity string     `json:"quantity,omitempty"`
	Plug     string     `json:"plug,omitempty"`
	Batch    string     `json:"batch,omitempty"`
	Alarm    string     `json:"alarm,omitempty"`
	At       *time.Time `json:"at,omitempty"`
}

// OutlookWater is when the reservoir runs dry.
type OutlookWater struct {
	Known          bool        `json:"known" doc:"how much is in it"`
	Liters         float64     `json:"liters" doc:"now"`
	LitersPerDay   float64     `json:"liters_per_day" doc:"likely"`
	CapacityLiters float64     `json:"capacity_liters,omitempty" doc:"absent: not known"`
	Dry            bool        `json:"dry" doc:"already"`
	Now            *OutlookDry `json:"now,omitempty" doc:"with what is in it"`
	Full           *OutlookDry `json:"full,omitempty" doc:"when it is filled before leaving"`
	Text           string      `json:"text"`
}

// OutlookDry is when a reservoir runs dry, as time from now.
type OutlookDry struct {
	Earliest Duration `json:"earliest" doc:"one time in ten it is before that"`
	Likely   Duration `json:"likely"`
	Latest   Duration `json:"latest" doc:"nine times in ten it is before that"`
	Chance   float64  `json:"chance" doc:"of running dry before the return, 0..1"`
}

// OutlookRange is how a quantity is likely to be kept.
type OutlookRange struct {
	Quantity string  `json:"quantity"`
	Share    float64 `json:"share" doc:"of the time in range, likely, 0..1"`
	Low      float64 `json:"low" doc:"one time in ten it is less"`
	Chance   float64 `json:"chance" doc:"that no alarm of it is raised, 0..1"`
}

// OutlookDue is something of a batch that comes due.
type OutlookDue struct {
	Batch   string    `json:"batch"`
	Species string    `json:"species"`
	Stage   string    `json:"stage"`
	From    time.Time `json:"from"`
	Until   time.Time `json:"until" doc:"the latest usual time"`
	Text    string    `json:"text"`
}

// OutlookStands is an alarm that stands.
type OutlookStands struct {
	Alarm    string `json:"alarm"`
	Priority string `json:"priority"`
	Says     string `json:"says"`
}

// OutlookProgress is one line of an answer that tells how far it is: the last has the outlook, or the problem.
type OutlookProgress struct {
	Done    int      `json:"done"`
	Of      int      `json:"of"`
	Outlook *Outlook `json:"outlook,omitempty"`
	Problem *Problem `json:"problem,omitempty"`
}

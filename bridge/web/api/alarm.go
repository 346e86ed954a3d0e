package api

import "time"

// Unshelve ends the shelving of an alarm early.
type Unshelve struct {
	ID   string `json:"id,omitempty" doc:"of the caller's making; the same action twice is done once"`
	Note string `json:"note,omitempty"`
}

// Service takes an alarm out of service, or returns it.
type Service struct {
	ID   string `json:"id,omitempty" doc:"of the caller's making; the same action twice is done once"`
	Note string `json:"note,omitempty" doc:"why, for whoever finds it out of service"`
}

// AlarmHistory is what became of alarms, oldest first.
type AlarmHistory struct {
	From    time.Time     `json:"from"`
	To      time.Time     `json:"to"`
	Changes []AlarmChange `json:"changes"`
}

// AlarmChange is one change of state of one alarm, and who made it where a person did.
type AlarmChange struct {
	At          time.Time `json:"at"`
	Chamber     string    `json:"chamber"`
	Alarm       string    `json:"alarm"`
	State       string    `json:"state" doc:"after the change, as in Alarm"`
	Priority    string    `json:"priority"`
	Told        bool      `json:"told,omitempty" doc:"it was to be told to people then"`
	Detail      string    `json:"detail,omitempty" doc:"the numbers behind it"`
	FollowsFrom string    `json:"follows_from,omitempty" doc:"the alarm that this one followed from"`
	Action      string    `json:"action,omitempty" doc:"what a person did"`
	By          string    `json:"by,omitempty" doc:"how that came: command, page, topic"`
	Note        string    `json:"note,omitempty" doc:"what the person wrote"`
}

package api

import "time"

// Notification is one place that messages to people go to.
type Notification struct {
	Name         string     `json:"name" doc:"of the file that holds its address"`
	Scheme       string     `json:"scheme" doc:"of the address"`
	Waiting      int        `json:"waiting" doc:"messages that wait to be sent"`
	FailingSince *time.Time `json:"failing_since,omitempty" doc:"since when messages do not go through; absent: they do, or none was sent yet"`
	Fault        string     `json:"fault,omitempty" doc:"what it said last"`
	LastSent     *time.Time `json:"last_sent,omitempty" doc:"absent: none since the start"`
}

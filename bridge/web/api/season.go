package api

// Season is what a report of flushes and conditions is made of: CSV files (RFC 4180) of batches, stages, flushes,
// pickings, losses, alarms and the climate in aggregates.
type Season struct {
	Files []SeasonFile `json:"files"`
}

// SeasonFile is one of the files.
type SeasonFile struct {
	Name string `json:"name" doc:"such as climate.csv"`
	Text string `json:"text" doc:"a header, then a row for each; an empty cell is not known"`
}

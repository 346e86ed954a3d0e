package api

import "time"

// BatchRecord is the whole life of one batch as it is written down, with corrections and without what was undone.
type BatchRecord struct {
	Chamber              string         `json:"chamber"`
	Batch                string         `json:"batch"`
	Species              string         `json:"species"`
	Strain               string         `json:"strain,omitempty"`
	Supplements          string         `json:"supplements,omitempty" doc:"to the substrate"`
	Position             string         `json:"position,omitempty" doc:"where in the chamber"`
	SubstrateKg          float64        `json:"substrate_kg" doc:"wet"`
	DryKg                float64        `json:"dry_kg"`
	Inoculated           *time.Time     `json:"inoculated,omitempty"`
	Added                time.Time      `json:"added"`
	Retired              *time.Time     `json:"retired,omitempty" doc:"absent: it grows"`
	Stages               []StagePeriod  `json:"stages" doc:"one after the other without a gap"`
	Flushes              []FlushDetail  `json:"flushes"`
	Losses               []LossDetail   `json:"losses"`
	Notes                []NoteDetail   `json:"notes"`
	FreshG               float64        `json:"fresh_g"`
	BiologicalEfficiency float64        `json:"biological_efficiency" doc:"fresh weight harvested / dry substrate weight"`
	Proposal             *StageProposal `json:"proposal,omitempty" doc:"the stage that it seems to have reached"`
}

// StagePeriod is the time that a batch spent in a stage.
type StagePeriod struct {
	Stage string     `json:"stage"`
	Flush int        `json:"flush" doc:"from 1"`
	From  time.Time  `json:"from"`
	To    *time.Time `json:"to,omitempty" doc:"absent: it goes on"`
}

// FlushDetail is one crop with its pickings.
type FlushDetail struct {
	Number               int             `json:"number" doc:"from 1"`
	FreshG               float64         `json:"fresh_g"`
	BiologicalEfficiency float64         `json:"biological_efficiency" doc:"of this flush alone"`
	Pickings             []PickingDetail `json:"pickings"`
	Closed               *time.Time      `json:"closed,omitempty"`
}

// PickingDetail is one weighing.
type PickingDetail struct {
	Entry  string    `json:"entry" doc:"to undo or correct it by"`
	At     time.Time `json:"at"`
	FreshG float64   `json:"fresh_g"`
	Marks  []string  `json:"marks,omitempty" doc:"of quality: first, second, or a sign such as long-stems"`
	Photos []string  `json:"photos,omitempty" doc:"paths or addresses"`
	Note   string    `json:"note,omitempty"`
}

// LossDetail is what did not become crop.
type LossDetail struct {
	Entry string    `json:"entry"`
	At    time.Time `json:"at"`
	Flush int       `json:"flush"`
	Cause string    `json:"cause" doc:"contaminated, aborted or spoiled"`
	Grams float64   `json:"grams" doc:"0: not weighed; of substrate where it was contaminated, else of fruit"`
	Note  string    `json:"note,omitempty"`
}

// NoteDetail is what somebody wrote.
type NoteDetail struct {
	Entry  string    `json:"entry"`
	At     time.Time `json:"at"`
	Text   string    `json:"text"`
	Photos []string  `json:"photos,omitempty"`
}

// Records is the record of every batch.
type Records struct {
	Records []BatchRecord `json:"records" doc:"by chamber, in order of their coming"`
}

// Entries is what was written into the crop's record, in the order of writing; what was undone or corrected too.
type Entries struct {
	Entries []Entry `json:"entries"`
}

// Entry is one line of the crop's record. Which fields count depends on kind: batch_add, stage_set, harvest, loss, note,
// batch_retire; undo and correct name in of which entry they are of.
type Entry struct {
	Entry       string     `json:"entry,omitempty" doc:"its number; absent in an import"`
	Chamber     string     `json:"chamber"`
	Batch       string     `json:"batch,omitempty"`
	Kind        string     `json:"kind"`
	At          time.Time  `json:"at" doc:"for which it holds"`
	Written     *time.Time `json:"written,omitempty" doc:"when it was written down; not read in an import"`
	By          string     `json:"by,omitempty" doc:"how it came; not read in an import"`
	Species     string     `json:"species,omitempty"`
	Strain      string     `json:"strain,omitempty"`
	Supplements string     `json:"supplements,omitempty"`
	Position    string     `json:"position,omitempty"`
	SubstrateKg float64    `json:"substrate_kg,omitempty"`
	DryKg       float64    `json:"dry_kg,omitempty"`
	Inoculated  *time.Time `json:"inoculated,omitempty"`
	Stage       string     `json:"stage,omitempty"`
	FreshG      float64    `json:"fresh_g,omitempty"`
	Done        bool       `json:"done,omitempty"`
	Marks       []string   `json:"marks,omitempty"`
	Photos      []string   `json:"photos,omitempty"`
	Cause       string     `json:"cause,omitempty"`
	Grams       float64    `json:"grams,omitempty"`
	Note        string     `json:"note,omitempty"`
	Of          string     `json:"of,omitempty" doc:"number of the entry that this one is of"`
	Undone      bool       `json:"undone,omitempty" doc:"it does not hold: it was undone"`
	Corrected   bool       `json:"corrected,omitempty" doc:"another says what holds instead; this is the old value"`
}

// LossAdd records what did not become crop.
type LossAdd struct {
	ID    string  `json:"id,omitempty" doc:"of the caller's making; the same action twice is done once"`
	Cause string  `json:"cause" doc:"contaminated, aborted or spoiled"`
	Grams float64 `json:"grams,omitempty" doc:"absent: not weighed"`
	At    string  `json:"at,omitempty" doc:"a past moment; absent: now"`
	Note  string  `json:"note,omitempty"`
}

// NoteAdd writes something beside a batch.
type NoteAdd struct {
	ID     string   `json:"id,omitempty" doc:"of the caller's making; the same action twice is done once"`
	Note   string   `json:"note,omitempty"`
	Photos []string `json:"photos,omitempty" doc:"paths or addresses"`
	At     string   `json:"at,omitempty" doc:"a past moment; absent: now"`
}

// EntryUndo takes an entry back.
type EntryUndo struct {
	ID   string `json:"id,omitempty" doc:"of the caller's making; the same action twice is done once"`
	Note string `json:"note,omitempty" doc:"why"`
}

// EntryCorrect says what an entry should have been. What is absent stays; the old value stays written down.
type EntryCorrect struct {
	ID          string   `json:"id,omitempty" doc:"of the caller's making; the same action twice is done once"`
	At          *string  `json:"at,omitempty" doc:"a past moment"`
	Species     *string  `json:"species,omitempty"`
	Strain      *string  `json:"strain,omitempty"`
	Supplements *string  `json:"supplements,omitempty"`
	Position    *string  `json:"position,omitempty"`
	SubstrateKg *float64 `json:"substrate_kg,omitempty"`
	DryKg       *float64 `json:"dry_kg,omitempty"`
	Inoculated  *string  `json:"inoculated,omitempty" doc:"a past moment"`
	Stage       *string  `json:"stage,omitempty"`
	FreshG      *float64 `json:"fresh_g,omitempty"`
	Done        *bool    `json:"done,omitempty"`
	Marks       []string `json:"marks,omitempty" doc:"instead of those that it had"`
	Photos      []string `json:"photos,omitempty" doc:"instead of those that it had"`
	Cause       *string  `json:"cause,omitempty"`
	Grams       *float64 `json:"grams,omitempty"`
	Note        *string  `json:"note,omitempty"`
}

// Import brings entries in: all of them or none.
type Import struct {
	ID      string  `json:"id,omitempty" doc:"of the caller's making; the same import twice is done once"`
	Check   bool    `json:"check,omitempty" doc:"only say what is wrong"`
	Entries []Entry `json:"entries"`
}

// Imported answers an import that is written down and done, or one that was only checked and is good.
type Imported struct {
	ID      string `json:"id"`
	Entries int    `json:"entries"`
	Batches int    `json:"batches"`
	Checked bool   `json:"checked,omitempty" doc:"nothing was imported, as was asked"`
}

// Fault is one thing wrong with an import.
type Fault struct {
	Index  int    `json:"index" doc:"of the entry, from 0; the number of entries where it is of none"`
	Detail string `json:"detail"`
}

// StageProposal is the stage that a batch seems to have reached. Nothing is done about it unless the chamber's
// configuration says auto_advance.
type StageProposal struct {
	Stage string    `json:"stage"`
	Since time.Time `json:"since"`
	Sure  bool      `json:"sure" doc:"so that auto_advance acts on it"`
	Why   []string  `json:"why" doc:"in words"`
}

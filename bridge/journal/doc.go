// Package journal is what outlasts the process: people's actions, commands, snapshots of chambers, events and the
// history of the air.
//
// It must never decide anything or know what a state means. Start reading at [Journal], then [Open].
package journal

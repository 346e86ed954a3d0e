// Package alarm holds the detectors and the life of an alarm, in the words of ISA-18.2 and IEC 62682.
//
// It must never command a plug. Start reading at [Declared] and [Advance].
package alarm

// Name is an alarm's name as metrics and commands show it.
type Name string

// State is the life of every alarm of one chamber.
type State struct{}

// Reservoir is what is known of the humidifier's water.
type Reservoir struct{}

package sizing

import (
	"fmt"
	"strconv"
)

// Dimension is what an [Amount] measures; it says which unit the number is in here.
type Dimension uint8

// The dimensions.
const (
	Length      Dimension = iota // m
	Volume                       // m³
	Mass                         // kg
	Flow                         // m³/h
	Water                        // liters
	Temperature                  // degrees Celsius
	Humidity                     // relative, 0 to 1
)

var siUnits = [...]string{" m", " m³", " kg", " m³/h", " liters", " °C", ""}

// Amount is a number that an error speaks of.
type Amount struct {
	Value float64
	Of    Dimension
	Bare  bool // the unit is written at a later number
	// Limit is not 0 where it is the least (1) or the most (-1) that can be given: who writes it in another unit is to round it into
	// what is allowed.
	Limit int
}

// OutsideError says that a number lies outside what can be worked out. Whoever asked may have typed it in other units: [OutsideError.In]
// says it in those.
type OutsideError struct {
	format  string // with a %s for each amount
	amounts []Amount
}

func beyond(format string, amounts ...Amount) error { return &OutsideError{format, amounts} }

// In says it with each amount as write writes it, with its unit unless it is bare.
func (e *OutsideError) In(write func(Amount) string) string {
	all := make([]any, len(e.amounts))
	for i, a := range e.amounts {
		all[i] = write(a)
	}
	return fmt.Sprintf(e.format, all...)
}

func (e *OutsideError) Error() string {
	return e.In(func(a Amount) string {
		s := strconv.FormatFloat(a.Value, 'f', -1, 64)
		if !a.Bare {
			s += siUnits[a.Of]
		}
		return s
	})
}

func of(d Dimension, v float64) Amount   { return Amount{Value: v, Of: d} }
func bare(d Dimension, v float64) Amount { return Amount{Value: v, Of: d, Bare: true} }

// least and most are the bounds of what is allowed, least without its unit where most follows.
func least(d Dimension, v float64) Amount { return Amount{Value: v, Of: d, Bare: true, Limit: 1} }
func most(d Dimension, v float64) Amount  { return Amount{Value: v, Of: d, Limit: -1} }

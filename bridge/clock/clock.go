// Package clock is the one clock at the edge: the wall's, or a paced one that runs faster for drills.
//
// It must never be read by policy, which is told the time. Start reading at [Clock].
package clock

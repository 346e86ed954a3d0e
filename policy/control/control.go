// Package control works out which plugs should run, from the target, the air and the chamber's physics.
//
// It must never send anything or overrule the guard. Start reading at [Decide].
package control

// State is what control remembers from step to step.
type State struct{}

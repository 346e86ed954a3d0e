//go:build !race

package policy_test

// raceDetector is whether the race detector runs.
const raceDetector = false

//go:build !race

package learn_test

// raceDetector is whether the race detector runs.
const raceDetector = false

//go:build !race

package control

// raceDetector is whether the race detector runs.
const raceDetector = false

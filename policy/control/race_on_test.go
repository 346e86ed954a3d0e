//go:build race

package control

// raceDetector is whether the race detector runs, which makes simulated days last several times as long.
const raceDetector = true

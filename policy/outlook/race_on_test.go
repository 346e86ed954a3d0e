//go:build race

package outlook_test

const raceDetector = true

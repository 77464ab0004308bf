//go:build !race

package scheduler_test

// raceDetector tells whether this is a build with the race detector.
const raceDetector = false

//go:build !race

package api_test

// raceDetector tells whether this is a build with the race detector.
const raceDetector = false

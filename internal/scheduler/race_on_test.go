//go:build race

package scheduler_test

// raceDetector tells whether this is a build with the race detector, under which everything takes ten times as long.
const raceDetector = true

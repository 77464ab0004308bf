//go:build !race

package simulate

// raceDetector tells whether this is a build with the race detector.
const raceDetector = false

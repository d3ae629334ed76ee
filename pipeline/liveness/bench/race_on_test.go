//go:build race

package bench

// The race detector makes drawing ten times slower.
const (
	raceDetector  = true
	ringsDrawn    = 1
	portraitsSeen = 2
)

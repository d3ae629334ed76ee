//go:build !race

package bench

const (
	raceDetector  = false
	ringsDrawn    = 10 // of each species and range, one still each
	portraitsSeen = 68
)

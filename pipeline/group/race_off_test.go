//go:build !race

package group

const raceDetector = false

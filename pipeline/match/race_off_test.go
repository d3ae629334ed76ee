//go:build !race

package match

const raceDetector = false

//go:build race

package match

const raceDetector = true

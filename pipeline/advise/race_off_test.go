//go:build !race

package advise

const raceDetector = false

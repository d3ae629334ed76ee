//go:build race

package advise

const raceDetector = true

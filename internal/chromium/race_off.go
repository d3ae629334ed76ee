//go:build !race

package chromium

const raceDetector = false

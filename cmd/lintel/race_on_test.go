//go:build race

package main

// raceDetector says whether it is on, which makes the search for faces many
// times slower.
const raceDetector = true

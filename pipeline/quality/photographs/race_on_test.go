//go:build race

package photographs

// race says that the race detector is on, which makes the search for faces ten
// times slower. No goroutine of this project's own is at work here.
const race = true

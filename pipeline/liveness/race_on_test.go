//go:build race

package liveness

import "testing"

// withoutRaces skips a test that only computes, by one goroutine, and takes ten
// times as long with the race detector. `make test` runs it without, too.
func withoutRaces(t *testing.T) {
	t.Helper()
	t.Skip("SKIPPED: with the race detector this takes too long; run without -race")
}

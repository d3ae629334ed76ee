//go:build race

package bench

import "testing"

// withoutRaces skips a test that draws: the race detector makes that ten times
// slower, and `make test` runs it without, too.
func withoutRaces(t *testing.T) {
	t.Helper()
	t.Skip("SKIPPED: with the race detector this takes too long; run without -race")
}

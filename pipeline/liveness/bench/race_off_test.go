//go:build !race

package bench

import "testing"

func withoutRaces(*testing.T) {}

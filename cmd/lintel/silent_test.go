package main

import (
	"slices"
	"testing"
	"time"
)

// TestSilentTablets has 100 live connections that never read, and a bell ring beside
// them. Five seconds by default; -flood 1m for what MEASUREMENTS.md has.
func TestSilentTablets(t *testing.T) {
	if raceDetector || testing.Short() {
		t.Skip("SKIPPED: times and memory mean nothing with the race detector, and it takes a while")
	}
	f := newFlooded(t, "gate")
	doorbell := aVisitor().JPEG(85)
	alone := f.rings(t.Context(), doorbell, "alone", 5*time.Second)
	before := f.peak()
	for n := range 100 {
		conn := f.dial(n)
		defer conn.Close()
	}
	beside := f.rings(t.Context(), doorbell, "beside", *flood)
	t.Logf("a ring is answered, alone %v, and beside %v; memory before %d MB, at most %d MB", alone, beside, before,
		f.peak())
	if slices.Max(beside) > max(maxAnswer, 20*slices.Max(alone)) {
		t.Errorf("rings were answered within %v", beside)
	}
	if more := f.peak() - before; more > 150 {
		t.Errorf("100 connections took %d MB", more)
	}
}

package store

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
)

// BenchmarkKeep keeps stills of 100 KB one after the other, records a face on each,
// and erases them, each durably: most of it is waiting for the disk.
func BenchmarkKeep(b *testing.B) {
	ctx := b.Context()
	a, err := Open(ctx, b.TempDir(), testKey, time.Now)
	if err != nil {
		b.Fatal(err)
	}
	defer a.Close()
	if _, err := a.AddBell(ctx, "gate"); err != nil {
		b.Fatal(err)
	}
	took := make(map[string][]time.Duration)
	timed := func(what string, f func() error) {
		began := time.Now()
		if err := f(); err != nil {
			b.Fatal(err)
		}
		took[what] = append(took[what], time.Since(began))
	}
	for i := 0; b.Loop(); i++ {
		n := stillOf(fmt.Sprint(i), 0)
		n.JPEG = make([]byte, 100<<10)
		var visit string
		timed("keep", func() (err error) { visit, _, err = a.Keep(ctx, n); return err })
		v, err := a.Visit(ctx, visit)
		if err != nil {
			b.Fatal(err)
		}
		timed("record", func() error { return a.Record(ctx, v.Stills[0].ID, house.Done, []house.Face{faceOf(1, nil)}) })
		if i%2 == 0 {
			timed("erase", func() error { return a.EraseVisit(ctx, visit) })
		}
	}
	for what, all := range took {
		slices.Sort(all)
		b.ReportMetric(float64(all[len(all)/2].Microseconds())/1000, what+"-p50-ms")
		b.ReportMetric(float64(all[len(all)*95/100].Microseconds())/1000, what+"-p95-ms")
	}
}

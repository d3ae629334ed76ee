package web

import (
	"fmt"
	"runtime"
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
)

// BenchmarkStrangers has the strangers of a grown archive compared, where they are not
// yet, and asks for what tells of them: at once after a start, and when all were read. It
// says what an archive took to be compared, as a server does it in the background.
func BenchmarkStrangers(b *testing.B) {
	h, newest := newGrown(b)
	in := h.session(h.resident(fmt.Sprint("Odile ", time.Now().UnixNano())))
	visit := ""
	visits, err := h.archive.VisitsBetween(b.Context(), newest.AddDate(-1, 0, 0), newest, 200)
	if err != nil {
		b.Fatal(err)
	}
	for _, v := range visits {
		if v.Kind == house.Stranger {
			visit = v.ID
			break
		}
	}
	ask := func(when string) {
		for _, address := range []string{"/visits/" + visit, "/people/strangers", "/people", "/api/v1/strangers"} {
			b.Run(when+" "+address, func(b *testing.B) {
				var took []time.Duration
				cpu := cpuTime(b)
				for b.Loop() {
					began := time.Now()
					h.get(address, in).is(200)
					took = append(took, time.Since(began))
				}
				slices.Sort(took)
				b.ReportMetric(float64((cpuTime(b)-cpu).Microseconds())/1000/float64(len(took)), "cpu-ms")
				b.ReportMetric(float64(took[0].Microseconds())/1000, "least-ms")
				b.ReportMetric(float64(took[len(took)*95/100].Microseconds())/1000, "p95-ms")
			})
		}
	}
	ask("start")
	began, cpu, steps := time.Now(), cpuTime(b), 0
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	for more := true; more; steps++ {
		if more, err = h.Server.review.CompareSome(b.Context()); err != nil {
			b.Fatal(err)
		}
		if steps%1000 == 999 {
			b.Logf("%d steps in %s, %s of processor time", steps, time.Since(began).Round(time.Second), cpuTime(b)-cpu)
		}
	}
	runtime.GC()
	runtime.ReadMemStats(&after)
	b.Logf("compared in %d steps and %s, %s of processor time, %d MB", steps, time.Since(began).Round(time.Second),
		(cpuTime(b) - cpu).Round(time.Millisecond), (after.HeapAlloc-before.HeapAlloc)>>20)
	ask("later")
}

package cluster

import (
	"math/rand/v2"
	"syscall"
	"testing"
	"time"

	"lintel/internal/house"
)

func drawn(r *rand.Rand) (d house.Descriptor) {
	for i := range d {
		d[i] = float32(r.NormFloat64() * 0.05)
	}
	return d
}
func BenchmarkWithin(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 6))
	x := new(Index)
	for i := range 1_000_000 {
		d := drawn(r)
		x.Add(int64(i), 0, &d)
	}
	one := drawn(r)
	n, began := 0, cpuTime(b)
	for b.Loop() {
		n += len(x.Within(&one, 0.42))
	}
	b.ReportMetric(float64(n)/float64(b.N), "found")
	b.ReportMetric(float64((cpuTime(b)-began).Microseconds())/1000/float64(b.N), "cpu-ms")
}

// cpuTime is what the process has taken of the processors, which other work beside it
// changes little.
func cpuTime(b *testing.B) time.Duration {
	var used syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &used); err != nil {
		b.Fatal(err)
	}
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}

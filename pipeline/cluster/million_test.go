package cluster

import (
	"encoding/binary"
	"flag"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/internal/python"
)

var million = flag.Int("million", 0, "among how many faces TestRecall looks for those alike; 0 leaves it out")

// drawn is a face whose distance from others is as that of two people.
func drawn(r *rand.Rand) (d house.Descriptor) {
	for i := range d {
		d[i] = float32(r.NormFloat64() * 0.05)
	}
	return d
}

// BenchmarkWithin looks for the faces near to one among a million, who are 0.8 apart on
// average.
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

// Outside: NumPy (Debian's python3-numpy), which measures all distances in float64.
const byNumPy = `
import json, sys
import numpy as np
q = json.load(sys.stdin)
x = np.fromfile(q["Path"], dtype="<f4").reshape(-1, 128)
probes = np.array(q["Probes"], dtype=np.float32).astype(np.float64)
out = [[] for _ in probes]
for at in range(0, len(x), 20000):
    part = x[at:at+20000].astype(np.float64)
    for n, p in enumerate(probes):
        d = np.sqrt(((part - p) ** 2).sum(axis=1))
        out[n] += [[int(at + i), float(d[i])] for i in np.nonzero(d <= q["Distance"])[0]]
json.dump(out, sys.stdout)
`

// TestRecall compares what the index finds among -million faces with what NumPy does: of
// photographs of 68 people, of faces drawn near to theirs, a hundred of each, and of
// faces drawn anywhere.
func TestRecall(t *testing.T) {
	if *million == 0 {
		t.Skip("SKIPPED: no -million")
	}
	persons := pairs(t)
	r := rand.New(rand.NewPCG(2, 9))
	var probes []house.Descriptor
	x := new(Index)
	path := filepath.Join(t.TempDir(), "faces")
	file, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	for i := range *million {
		var d house.Descriptor
		switch p := persons[i%len(persons)]; {
		case i < 2*len(persons):
			d = p[i/len(persons)]
		case i < 102*len(persons):
			d = p[0]
			for k := range d {
				d[k] += float32(r.NormFloat64() * 0.036) // 0.41 away on average
			}
		default:
			d = drawn(r)
		}
		if i%997 == 0 && len(probes) < 60 || i < 2*len(persons) && i%7 == 0 {
			probes = append(probes, d)
		}
		x.Add(int64(i), 0, &d)
		if err := binary.Write(file, binary.LittleEndian, d); err != nil {
			t.Fatal(err)
		}
	}
	if err := file.Close(); err != nil {
		t.Fatal(err)
	}
	const distance = 0.42
	var want [][][2]float64
	python.Ask(t, "numpy", byNumPy, struct {
		Path     string
		Probes   []house.Descriptor
		Distance float64
	}{path, probes, distance}, &want)
	due, found, offered := 0, 0, 0
	for n := range probes {
		near := x.Within(&probes[n], distance)
		offered += len(near)
		for _, w := range want[n] {
			due++
			at := slices.IndexFunc(near, func(near Near) bool { return near.Place == int64(w[0]) })
			if at >= 0 && near[at].Least <= w[1] && near[at].Most >= w[1] {
				found++
			}
		}
	}
	t.Logf("%d probes among %d faces: %d within %g by NumPy, %d of them found, among %d offered", len(probes), *million,
		due, distance, found, offered)
	if due < 10*len(probes) || found != due {
		t.Errorf("%d of %d found", found, due)
	}
}

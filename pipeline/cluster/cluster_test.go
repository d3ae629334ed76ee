package cluster

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"lintel/internal/house"
	"lintel/internal/python"
	"lintel/pipeline/match"
)

// along is a face at that place of a line.
func along(x float64) (d house.Descriptor) {
	d[0], d[1] = float32(x), 1
	return d
}

func line(places ...float64) (faces []house.Descriptor) {
	for _, x := range places {
		faces = append(faces, along(x))
	}
	return faces
}

func TestFaces(t *testing.T) {
	nan, infinite := along(0), along(0)
	nan[127], infinite[5] = float32(math.NaN()), float32(math.Inf(1))
	tests := []struct {
		name  string
		faces []house.Descriptor
		want  [][]int
	}{
		{"none", nil, nil},
		{"one", line(3), [][]int{{0}}},
		{"two alike", line(0, 0.5), [][]int{{0, 1}}},
		{"two at the distance", line(0, 1), [][]int{{0, 1}}},
		{"two beyond it", line(0, 1.001), [][]int{{0}, {1}}},
		{"the same twice", line(2, 9, 2), [][]int{{0, 2}, {1}}},
		// A chain: 0.6 from each to the next, 1.2 from the first to the third.
		{"a chain is cut", line(0, 0.6, 1.3), [][]int{{0, 1}, {2}}},
		{"a chain of four", line(0, 0.6, 1.3, 1.9), [][]int{{0, 1}, {2, 3}}},
		{"the nearest two first", line(0, 0.6, 1.1, 2.5), [][]int{{0}, {1, 2}, {3}}},
		{"in the order of their first", line(5, 0, 5.1, 0.1, 9), [][]int{{0, 2}, {1, 3}, {4}}},
		{"without a descriptor", append(line(0, 0.1), house.Descriptor{}, house.Descriptor{}), [][]int{{0, 1}}},
		{"no numbers", append(line(0, 0.1), nan, infinite, nan), [][]int{{0, 1}}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			if got := Faces(test.faces, 1); !reflect.DeepEqual(got, test.want) {
				t.Errorf("%v, want %v", got, test.want)
			}
		})
	}
}

// someFaces draws faces of people: each is near a middle of their own, and some
// of these are near one another.
func someFaces(r *rand.Rand, people, each int, spread float64) (faces []house.Descriptor) {
	var middle house.Descriptor
	for p := range people {
		if p%3 != 0 || p == 0 { // else somebody like the last
			for i := range middle {
				middle[i] = float32(r.NormFloat64() * 0.05)
			}
		}
		for range 1 + r.IntN(each) {
			d := middle
			for i := range d {
				d[i] += float32(r.NormFloat64() * spread)
			}
			faces = append(faces, d)
		}
	}
	return faces
}

// TestNoPairBeyond checks what a group promises, and that every face is in one.
func TestNoPairBeyond(t *testing.T) {
	for seed := range uint64(40) {
		r := rand.New(rand.NewPCG(seed, 1))
		faces := someFaces(r, 20, 6, 0.01+0.04*r.Float64())
		distance := 0.3 + 0.4*r.Float64()
		seen := make(map[int]int)
		groups := Faces(faces, distance)
		for _, group := range groups {
			for i, one := range group {
				seen[one]++
				for _, other := range group[:i] {
					if d := match.Distance(&faces[one], &faces[other]); d > distance {
						t.Errorf("seed %d: %d and %d are in a group at %g, beyond %g", seed, one, other, d, distance)
					}
				}
			}
		}
		for i := range faces {
			if seen[i] != 1 {
				t.Errorf("seed %d: face %d is in %d groups", seed, i, seen[i])
			}
		}
		// No two groups could be joined: a cut leaves only those farther apart.
		for i, one := range groups {
			for _, other := range groups[:i] {
				if far := farthest(faces, one, other); far <= distance {
					t.Errorf("seed %d: groups %v and %v are %g apart, within %g", seed, one, other, far, distance)
				}
			}
		}
	}
}

func farthest(faces []house.Descriptor, one, other []int) (far float64) {
	for _, i := range one {
		for _, j := range other {
			far = max(far, match.Distance(&faces[i], &faces[j]))
		}
	}
	return far
}

// TestOrderDoesNotMatter shuffles faces, with some pairs equally near and some
// faces twice.
func TestOrderDoesNotMatter(t *testing.T) {
	for seed := range uint64(40) {
		r := rand.New(rand.NewPCG(seed, 2))
		faces := someFaces(r, 12, 5, 0.03)
		faces = append(faces, faces[:7]...)
		for i := range 12 {
			faces = append(faces, along(float64(i)/2)) // ties
		}
		want := members(faces, Faces(faces, 0.5))
		r.Shuffle(len(faces), func(i, j int) { faces[i], faces[j] = faces[j], faces[i] })
		if got := members(faces, Faces(faces, 0.5)); !slices.Equal(got, want) {
			t.Errorf("seed %d: another order gives other groups", seed)
		}
	}
}

// members writes groups as what is in them, in an order of their own.
func members(faces []house.Descriptor, groups [][]int) (all []string) {
	for _, group := range groups {
		var in []string
		for _, i := range group {
			in = append(in, fmt.Sprint(faces[i]))
		}
		slices.Sort(in)
		all = append(all, fmt.Sprint(in))
	}
	slices.Sort(all)
	return all
}

// Outside: scipy.cluster.hierarchy (Debian's python3-scipy), which works in
// float64 on all of the distances at once.
const bySciPy = `
import json, sys
import numpy as np
from scipy.cluster.hierarchy import linkage, fcluster
from scipy.spatial.distance import pdist
out = []
for case in json.load(sys.stdin):
    x = np.array(case["Faces"], dtype=np.float32).astype(np.float64)
    out.append(fcluster(linkage(pdist(x), "complete"), case["Distance"], "distance").tolist())
json.dump(out, sys.stdout)
`

type sciPyCase struct {
	Faces    []house.Descriptor
	Distance float64
}

// checkAgainstSciPy skips the test aloud where SciPy is missing.
func checkAgainstSciPy(t *testing.T, cases []sciPyCase) {
	t.Helper()
	var labels [][]int
	python.Ask(t, "scipy", bySciPy, cases, &labels)
	if len(labels) != len(cases) {
		t.Fatalf("%d answers to %d cases", len(labels), len(cases))
	}
	several := 0
	for n, c := range cases {
		byLabel := make(map[int][]int)
		for i, label := range labels[n] {
			byLabel[label] = append(byLabel[label], i)
		}
		var want [][]int
		for _, group := range byLabel {
			want = append(want, group)
			if len(group) > 1 {
				several++
			}
		}
		slices.SortFunc(want, func(a, b []int) int { return cmp.Compare(a[0], b[0]) })
		if got := Faces(c.Faces, c.Distance); !reflect.DeepEqual(got, want) {
			t.Errorf("case %d, %d faces at %g: %v\nSciPy: %v", n, len(c.Faces), c.Distance, got, want)
		}
	}
	if several == 0 {
		t.Error("no case has a group of several")
	}
}

func TestAgainstSciPy(t *testing.T) {
	var cases []sciPyCase
	for seed := range uint64(60) {
		r := rand.New(rand.NewPCG(seed, 3))
		cases = append(cases, sciPyCase{someFaces(r, 4+r.IntN(30), 8, 0.01+0.05*r.Float64()), 0.2 + r.Float64()})
	}
	checkAgainstSciPy(t, cases)
}

func TestDistance(t *testing.T) {
	curve := match.Shipped()
	for _, fmr := range []float64{1e-5, 1e-4, FMR, 1e-2} {
		d := Distance(curve, fmr)
		if !(d > 0 && d < match.MaxDistance) || match.FMR(d-1e-9) > fmr || match.FMR(d+1e-3) < fmr {
			t.Errorf("Distance(%g) = %g, where the FMR is %g", fmr, d, match.FMR(d))
		}
	}
	for _, fmr := range []float64{0.5, 1} {
		if d := Distance(curve, fmr); d != match.MaxDistance {
			t.Errorf("Distance(%g) = %g, beyond what is named", fmr, d)
		}
	}
	if d := Distance(curve, 0); d != 0 {
		t.Errorf("Distance(0) = %g", d)
	}
	t.Logf("an FMR of %g is at distance %.4f", FMR, Distance(curve, FMR))
}

func TestConfusable(t *testing.T) {
	reference := func(person string, x float64) house.Reference {
		return house.Reference{Person: person, Descriptor: along(x)}
	}
	gallery := []house.Reference{
		reference("ada", 0), reference("ada", 3), reference("bo", 0.4), reference("bo", 2.7), // 0.3 from 3
		reference("cy", 9), reference("cy", 9.01), reference("di", -0.35),
	}
	bandOf := match.NewGallery(gallery, match.Shipped(), match.DefaultPrior).BandOf
	for range 2 {
		got := Confusable(gallery, bandOf)
		want := map[string][]string{"ada": {"bo", "di"}, "bo": {"ada"}, "di": {"ada"}}
		if len(got) != len(want) {
			t.Errorf("%v", got)
		}
		for person, others := range want {
			var names []string
			for _, d := range got[person] {
				names = append(names, d.Person)
				if d.Band == match.None || d.Band != bandOf(d.Distance) {
					t.Errorf("%s and %s: band %s at %g", person, d.Person, d.Band, d.Distance)
				}
			}
			if !slices.Equal(names, others) {
				t.Errorf("%s is confused with %v, want %v", person, names, others)
			}
		}
		if d := got["bo"]; len(d) == 0 || math.Abs(d[0].Distance-0.3) > 1e-6 {
			t.Errorf("bo: %v, want the nearest references at 0.3", d)
		}
		slices.Reverse(gallery)
	}
	for _, none := range [][]house.Reference{nil, gallery[:1], {reference("cy", 1), reference("cy", 1)},
		{reference("ada", 0), reference("bo", match.MaxDistance+1e-3)}} {
		if got := Confusable(none, bandOf); len(got) != 0 {
			t.Errorf("%v", got)
		}
	}
}

// BenchmarkFaces groups strangers of whom each rang a few times, and the worst
// that there is: all faces of one.
func BenchmarkFaces(b *testing.B) {
	for _, bench := range []struct {
		name         string
		people, each int
		spread       float64
	}{{"10000-of-4000", 4000, 4, 0.02}, {"10000-of-one", 1, 0, 0.01}} {
		b.Run(bench.name, func(b *testing.B) {
			r := rand.New(rand.NewPCG(1, 4))
			var faces []house.Descriptor
			for len(faces) < 10_000 {
				if bench.each > 0 {
					faces = append(faces, someFaces(r, bench.people, bench.each, bench.spread)...)
					continue
				}
				d := along(0)
				for i := range d {
					d[i] += float32(r.NormFloat64() * bench.spread)
				}
				faces = append(faces, d)
			}
			faces = faces[:10_000]
			b.ReportAllocs()
			for b.Loop() {
				b.ReportMetric(float64(len(Faces(faces, Distance(match.Shipped(), FMR)))), "groups")
			}
		})
	}
}

package doorstep_test

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"lintel/internal/doorstep"
	"lintel/internal/house"
	"lintel/internal/supplies"
	"lintel/pipeline/face"
)

var stills = flag.Int("stills", 4, "how many stills of each person TestPeopleAreToldApart draws")

// The day's lights in which everybody is drawn.
var lights = []struct {
	name string
	hour int
	sky  doorstep.Sky
}{
	{"sun", 10, doorstep.Clear}, {"overcast", 13, doorstep.Overcast},
	{"low sun", 18, doorstep.Clear}, {"lamp", 23, doorstep.Overcast},
}

// drawn is a still of one person, of a pose, an expression and a distance by chance, with a face 60 pixels wide or
// more.
func drawn(r *rand.Rand, who *doorstep.Person, light int) doorstep.Still {
	between := func(low, high float64) float64 { return low + (high-low)*r.Float64() }
	l := lights[light]
	still := doorstep.Scene{
		At: time.Date(2026, 5, 12, l.hour, 0, 0, 0, time.UTC), Sky: l.sky, Seed: r.Uint64(),
		Visitors: []doorstep.Visitor{{
			Who: who, Distance: between(0.5, 1.4), Aside: between(-0.15, 0.15),
			Yaw: between(-20, 20), Pitch: between(-12, 12), Roll: between(-5, 5),
			Smile: max(0, between(-0.5, 0.8)), Mouth: max(0, between(-0.5, 0.3)), Eyes: max(0, between(-0.3, 0.2)),
		}},
	}.Still()
	if still.Truth[0].Box.Dx() < 60 {
		return drawn(r, who, light)
	}
	return still
}

type portrait struct {
	who        *doorstep.Person
	what       string
	descriptor house.Descriptor
}

// Seeds by which stills are drawn, and how many pairs may lie beyond what is wanted. People and light were chosen on
// stills of others, 11 to 13, and in the end by how they did on the first two of these; the last two were drawn when
// all was chosen. MEASUREMENTS.md has the rest.
var seeds = []struct {
	seed   uint64
	beyond int
}{{2026, 0}, {14, 2}, {3131, 0}, {4747, 0}}

// Outside: dlib's face detector and its descriptors of 128 numbers, through package face; distances are Euclidean.
// dlib calls two faces one person's below 0.6 (its example dnn_face_recognition_ex.cpp, from memory).
func TestPeopleAreToldApart(t *testing.T) {
	finder, err := face.Open(supplies.NeedModels(t))
	if err != nil {
		t.Fatal(err)
	}
	defer finder.Close()
	for _, s := range seeds {
		t.Run(fmt.Sprintf("seed %d", s.seed), func(t *testing.T) { compare(t, portraits(t, finder, s.seed), s.beyond) })
	}
}

// portraits draws everybody in all lights and describes their faces, of which each has to be found.
func portraits(t *testing.T, finder *face.Finder, seed uint64) (all []portrait) {
	t.Helper()
	var chance [len(doorstep.People)]*rand.Rand
	for i := range chance {
		chance[i] = rand.New(rand.NewPCG(seed, uint64(i)))
	}
	for n := range *stills {
		light := n % len(lights)
		for i, who := range doorstep.People { // all by one light, which is drawn once
			still := drawn(chance[i], who, light)
			truth := still.Truth[0]
			what := fmt.Sprintf("%s in %s, %d pixels, turned %.0f %.0f", who.Name, lights[light].name,
				truth.Box.Dx(), truth.Yaw, truth.Pitch)
			faces, err := finder.Find(t.Context(), still.Image)
			if err != nil {
				t.Fatal(err)
			}
			middle := truth.Box.Min.Add(truth.Box.Max).Div(2)
			at := slices.IndexFunc(faces, func(f house.Face) bool { return middle.In(f.Box) })
			if at < 0 {
				t.Errorf("%s: not found", what)
				continue
			}
			all = append(all, portrait{who, what, faces[at].Descriptor})
		}
	}
	t.Logf("of %d faces %d are found", *stills*len(doorstep.People), len(all))
	return all
}

// Limits of our own: how far apart stills of one person are at most, and those of two at least. dlib's own for one
// person is 0.6.
const together, apart = 0.40, 0.55

func compare(t *testing.T, portraits []portrait, allowed int) {
	t.Helper()
	var same, different []float64
	beyond := 0
	for i, a := range portraits {
		for _, b := range portraits[:i] {
			d := distance(a.descriptor, b.descriptor)
			if a.who == b.who {
				same = append(same, d)
			} else {
				different = append(different, d)
			}
			if a.who == b.who && d > together || a.who != b.who && d < apart {
				beyond++
				t.Logf("%.3f apart: %s; %s", d, a.what, b.what)
			}
		}
	}
	if beyond > allowed {
		t.Errorf("%d pairs are further apart than one person's %.2f or nearer than two people's %.2f; %d are allowed",
			beyond, together, apart, allowed)
	}
	for _, pairs := range [][]float64{same, different} {
		slices.Sort(pairs)
		n := len(pairs)
		t.Logf("%d pairs: least %.3f, median %.3f, most %.3f", n, pairs[0], pairs[n/2], pairs[n-1])
	}
}

func distance(a, b house.Descriptor) float64 {
	sum := 0.0
	for i := range a {
		sum += math.Pow(float64(a[i]-b[i]), 2)
	}
	return math.Sqrt(sum)
}

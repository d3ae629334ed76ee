package cluster

import (
	"context"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"lintel/internal/house"
	"lintel/internal/python"
	"lintel/pipeline/match"
)

// A page is a book in memory.
type page struct {
	rows map[int64]house.StrangersFace
	left []house.Placing
	last int64
}

func newPage() *page { return &page{rows: make(map[int64]house.StrangersFace)} }

func (p *page) add(f house.Face) int64 {
	p.last++
	p.rows[p.last] = house.StrangersFace{Place: p.last, Face: f}
	return p.last
}

func (p *page) remove(place int64) {
	p.left = append(p.left, house.Placing{Place: place, Stranger: p.rows[place].Stranger})
	delete(p.rows, place)
}

func (p *page) some(is func(house.StrangersFace) bool) (all []house.StrangersFace) {
	for _, place := range slices.Sorted(maps.Keys(p.rows)) {
		if is(p.rows[place]) {
			all = append(all, p.rows[place])
		}
	}
	return all
}

func (p *page) StrangersFrom(_ context.Context, after int64, limit int) ([]house.StrangersFace, error) {
	all := p.some(func(f house.StrangersFace) bool { return f.Place > after })
	return all[:min(limit, len(all))], nil
}

func (p *page) StrangersAt(_ context.Context, places []int64) (all []house.StrangersFace, err error) {
	for _, place := range places {
		if f, ok := p.rows[place]; ok {
			all = append(all, f)
		}
	}
	return all, nil
}

func (p *page) FacesOfStranger(_ context.Context, stranger int64) ([]house.StrangersFace, error) {
	return p.some(func(f house.StrangersFace) bool { return f.Stranger == stranger }), nil
}

func (p *page) StrangersToCompare(_ context.Context, within, limit int) (places []int64, err error) {
	for _, f := range p.some(func(f house.StrangersFace) bool { return f.Within != within }) {
		places = append(places, f.Place)
	}
	slices.Reverse(places)
	return places[:min(limit, len(places))], nil
}

func (p *page) CountStrangers(_ context.Context, within int) (all, waiting int, err error) {
	return len(p.rows), len(p.some(func(f house.StrangersFace) bool { return f.Within != within })), nil
}

func (p *page) LastStranger(context.Context) (last int64, err error) {
	for _, f := range p.rows {
		last = max(last, f.Stranger)
	}
	return last, nil
}

func (p *page) StrangerSizes(_ context.Context, strangers []int64) (map[int64]int, error) {
	sizes := make(map[int64]int)
	for _, f := range p.rows {
		if slices.Contains(strangers, f.Stranger) {
			sizes[f.Stranger]++
		}
	}
	return sizes, nil
}

func (p *page) PlaceStrangers(_ context.Context, within int, all []house.Placing) (placed []bool, err error) {
	for _, one := range all {
		f, ok := p.rows[one.Place]
		if ok {
			f.Stranger, f.Within = one.Stranger, within
			p.rows[one.Place] = f
		}
		placed = append(placed, ok)
	}
	return placed, nil
}

func (p *page) JoinStrangers(_ context.Context, into, from int64, _, _ int) (bool, error) {
	for place, f := range p.rows {
		if f.Stranger == from {
			f.Stranger = into
			p.rows[place] = f
		}
	}
	return true, nil
}

func (p *page) StrangersGone(_ context.Context, after int64, limit int) ([]house.Placing, int64, error) {
	gone := p.left[after:]
	gone = gone[:min(limit, len(gone))]
	return gone, after + int64(len(gone)), nil
}

func (p *page) ForgetGone(_ context.Context, last int64) error {
	p.left = p.left[last:]
	return nil
}

// settle steps until there is nothing to do.
func settle(t testing.TB, g *Groups, within int) {
	t.Helper()
	for more, steps := true, 0; more; steps++ {
		var err error
		if more, _, err = g.Step(t.Context(), within); err != nil || steps > 1_000_000 {
			t.Fatal(steps, err)
		}
	}
	if p := g.Progress(); p.Waiting > 0 || p.Unread > 0 {
		t.Errorf("all is done, and %+v", p)
	}
}

// groups lists the faces of each stranger.
func (p *page) groups() [][]house.StrangersFace {
	by := make(map[int64][]house.StrangersFace)
	for _, f := range p.some(func(f house.StrangersFace) bool { return f.Stranger > 0 }) {
		by[f.Stranger] = append(by[f.Stranger], f)
	}
	return slices.Collect(maps.Values(by))
}

// keepsWhatIsPromised compares all pairs: each face that can be compared is in a group,
// no two of a group are beyond the distance, and no two groups could be one.
func (p *page) keepsWhatIsPromised(t testing.TB, within int) {
	t.Helper()
	apart := func(one, other []house.StrangersFace) (far float64) {
		for i := range one {
			far = max(far, farthest(other, &one[i]))
		}
		return far
	}
	groups := p.groups()
	for i, one := range groups {
		if far := apart(one, one); far > float64(within)/100 {
			t.Errorf("two faces of a group are %g apart", far)
		}
		for _, other := range groups[:i] {
			if far := apart(one, other); far <= float64(within)/100 {
				t.Errorf("groups of %d and %d faces are %g apart, and not one", len(one), len(other), far)
			}
		}
	}
	for _, f := range p.rows {
		if (f.Stranger > 0) != comparableFace(&f.Face) || f.Within != within {
			t.Errorf("the face at %d is stranger %d's within %d", f.Place, f.Stranger, f.Within)
		}
	}
}

func faceOf(d house.Descriptor) house.Face {
	f := house.Face{Descriptor: d}
	f.Box.Max.X, f.Box.Max.Y = 90, 90
	return f
}

// TestGroups lets faces come and go at random, some with ties, the server start anew and
// the distance change, and looks at all pairs each time.
func TestGroups(t *testing.T) {
	for seed := range uint64(30) {
		r := rand.New(rand.NewPCG(seed, 1))
		p, within := newPage(), 30+r.IntN(40)
		g := NewGroups(p)
		faces := someFaces(r, 25, 6, 0.01+0.04*r.Float64())
		for i := range 12 {
			faces = append(faces, along(float64(i)/4), along(float64(i)/4), along(40+float64(i)/5)) // far outside the codes
		}
		faces = append(faces, house.Descriptor{})
		r.Shuffle(len(faces), func(i, j int) { faces[i], faces[j] = faces[j], faces[i] })
		for len(faces) > 0 {
			for range min(len(faces), 1+r.IntN(12)) {
				f := faceOf(faces[0])
				if faces = faces[1:]; r.IntN(20) == 0 {
					f.Box.Max.X = 31
				}
				p.add(f)
			}
			for range r.IntN(6) {
				if places := slices.Sorted(maps.Keys(p.rows)); len(places) > 0 {
					p.remove(places[r.IntN(len(places))])
				}
			}
			switch r.IntN(8) {
			case 0:
				g = NewGroups(p)
			case 1:
				within = 30 + r.IntN(40)
			}
			settle(t, g, within)
			p.keepsWhatIsPromised(t, within)
		}
		if len(p.left) > 0 {
			t.Errorf("seed %d: %d faces that went are not forgotten", seed, len(p.left))
		}
		for place := range int64(p.last + 1) { // what is in memory is what is there
			_, there := p.rows[place]
			if b, _ := g.index.find(place); b != nil && !there {
				t.Errorf("seed %d: the face at %d is in memory yet", seed, place)
			}
		}
	}
}

// TestLostInBetween takes away the face that kept two groups apart.
func TestLostInBetween(t *testing.T) {
	p := newPage()
	g := NewGroups(p)
	var places []int64
	for _, x := range []float64{0, 1.3, 0.4, 0.7} { // 0 and 0.4, 1.3 and 0.7
		places = append(places, p.add(faceOf(along(x))))
	}
	settle(t, g, 80)
	if got := sizesOf(p); !slices.Equal(got, []int{2, 2}) {
		t.Fatalf("groups of %v", got)
	}
	p.remove(places[1])
	settle(t, g, 80)
	if got := sizesOf(p); !slices.Equal(got, []int{3}) {
		t.Errorf("groups of %v, want one", got)
	}
}

func sizesOf(p *page) (sizes []int) {
	for _, group := range p.groups() {
		sizes = append(sizes, len(group))
	}
	slices.Sort(sizes)
	return sizes
}

// Outside: scipy.cluster.hierarchy (Debian's python3-scipy), which joins the nearest two
// first, in float64, on all of the distances at once.
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

// agreement is how many pairs of faces are in one group by both, by the kept groups
// alone, and by SciPy alone.
type agreement struct{ both, ours, theirs int }

// compareWithSciPy skips the test aloud where SciPy is missing.
func compareWithSciPy(t *testing.T, cases []sciPyCase) (all []agreement) {
	t.Helper()
	var labels [][]int
	python.Ask(t, "scipy", bySciPy, cases, &labels)
	if len(labels) != len(cases) {
		t.Fatalf("%d answers to %d cases", len(labels), len(cases))
	}
	for n, c := range cases {
		p, within := newPage(), Hundredths(c.Distance)
		for _, d := range c.Faces {
			p.add(faceOf(d))
		}
		settle(t, NewGroups(p), within)
		p.keepsWhatIsPromised(t, within)
		var a agreement
		for i := range c.Faces {
			for j := range i {
				ours := p.rows[int64(i+1)].Stranger == p.rows[int64(j+1)].Stranger
				switch theirs := labels[n][i] == labels[n][j]; {
				case ours && theirs:
					a.both++
				case ours:
					a.ours++
				case theirs:
					a.theirs++
				}
			}
		}
		all = append(all, a)
	}
	return all
}

// TestAgainstSciPy has the groups of SciPy where people are told apart: no matter in
// which order faces come. Where some are alike, it says how much differs.
func TestAgainstSciPy(t *testing.T) {
	for _, test := range []struct {
		name     string
		spread   float64
		distance float64
		apart    bool // nobody is within the distance of others, all faces of one are
	}{{"told apart", 0.01, 0.4, true}, {"like each other", 0.022, 0.42, false}, {"mixed up", 0.035, 0.6, false}} {
		var cases []sciPyCase
		for seed := range uint64(40) {
			r := rand.New(rand.NewPCG(seed, 3))
			people := 30
			if test.apart {
				cases = append(cases, sciPyCase{peopleApart(r, people, 8, test.spread), test.distance})
				continue
			}
			cases = append(cases, sciPyCase{someFaces(r, people, 8, test.spread), test.distance})
		}
		var sum agreement
		for _, a := range compareWithSciPy(t, cases) {
			sum.both, sum.ours, sum.theirs = sum.both+a.both, sum.ours+a.ours, sum.theirs+a.theirs
		}
		t.Logf("%s: pairs in one group by both %d, by the kept groups alone %d, by SciPy alone %d", test.name, sum.both,
			sum.ours, sum.theirs)
		if sum.both == 0 || test.apart && sum.ours+sum.theirs > 0 {
			t.Errorf("%s: %+v", test.name, sum)
		}
	}
}

// peopleApart draws faces of people of whom none is like another.
func peopleApart(r *rand.Rand, people, each int, spread float64) (faces []house.Descriptor) {
	for range people {
		middle := drawn(r)
		for range 1 + r.IntN(each) {
			d := middle
			for i := range d {
				d[i] += float32(r.NormFloat64() * spread)
			}
			faces = append(faces, d)
		}
	}
	r.Shuffle(len(faces), func(i, j int) { faces[i], faces[j] = faces[j], faces[i] })
	return faces
}

// TestWithin finds every face that an exact look at all of them does, in float64.
func TestWithin(t *testing.T) {
	for seed := range uint64(20) {
		r := rand.New(rand.NewPCG(seed, 7))
		faces := someFaces(r, 300, 6, 0.02)
		for i := range 20 {
			faces = append(faces, along(float64(i))) // beyond the codes
		}
		x := new(Index)
		for i := range faces {
			x.Add(int64(3*i), 7, &faces[i])
		}
		left := make(map[int64]bool)
		for range r.IntN(len(faces)) {
			place := int64(3 * r.IntN(len(faces)))
			x.Remove(place)
			left[place] = true
		}
		if x.Len() != len(faces)-len(left) {
			t.Errorf("seed %d: %d faces are left of %d without %d", seed, x.Len(), len(faces), len(left))
		}
		distance, found := 0.2+0.5*r.Float64(), 0
		for range 50 {
			one := &faces[r.IntN(len(faces))]
			near := x.Within(one, distance)
			for i := range faces {
				d := match.Distance(one, &faces[i])
				at := slices.IndexFunc(near, func(n Near) bool { return n.Place == int64(3*i) })
				switch {
				case left[int64(3*i)] && at >= 0:
					t.Errorf("seed %d: a face that was removed is found", seed)
				case left[int64(3*i)]:
				case d <= distance && at < 0:
					t.Errorf("seed %d: a face %g away is not found within %g", seed, d, distance)
				case at >= 0 && (d < near[at].Least || d > near[at].Most || near[at].Stranger != 7):
					t.Errorf("seed %d: a face %g away is said to be %+v", seed, d, near[at])
				case d <= distance:
					found++
				}
			}
		}
		if found == 0 {
			t.Errorf("seed %d: nothing is within %g", seed, distance)
		}
	}
}

// TestRemovedIsNowhere looks for codes of a face that was removed.
func TestRemovedIsNowhere(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 8))
	x := new(Index)
	for i := range 3 * blockFaces {
		d := drawn(r)
		x.Add(int64(i), 0, &d)
	}
	old := slices.Clone(x.blocks)
	for i := range 3 * blockFaces {
		x.Remove(int64(i))
	}
	for _, b := range append(old, x.blocks...) {
		if b.codes != [blockFaces * dims]int8{} {
			t.Error("codes of faces that were removed are in memory")
		}
	}
	if x.Len() != 0 || len(x.Within(&house.Descriptor{}, math.Inf(1))) != 0 {
		t.Errorf("%d faces", x.Len())
	}
}

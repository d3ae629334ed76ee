package house

import (
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"lintel/internal/python"
)

var square = Polygon{{0, 0}, {1, 0}, {1, 1}, {0, 1}}

func TestPolygonCheck(t *testing.T) {
	comb := make(Polygon, 0, MaxMaskPoints) // a simple outline with all points there may be
	for i := range MaxMaskPoints - 2 {
		comb = append(comb, Point{float64(i) / 97, 0.5 * float64(i%2)})
	}
	comb = append(comb, Point{1, 1}, Point{0, 1})
	for _, test := range []struct {
		name string
		p    Polygon
		want string // part of the error, "" for none
	}{
		{"the whole still", square, ""},
		{"the other way round", Polygon{{0, 0}, {0, 1}, {1, 1}, {1, 0}}, ""},
		{"triangle", Polygon{{0.1, 0.1}, {0.9, 0.2}, {0.3, 0.8}}, ""},
		{"not convex", Polygon{{0, 0}, {1, 0}, {0.2, 0.2}, {0, 1}}, ""},
		{"a corner of 180 degrees", Polygon{{0, 0}, {0.5, 0}, {1, 0}, {0.5, 1}}, ""},
		{"as many points as there may be", comb, ""},
		{"nearly touching", Polygon{{0, 0}, {1, 0}, {1, 1}, {0.5, 0x1p-60}, {0, 1}}, ""},

		{"nothing", nil, "corners-few [Count 0]"},
		{"two points", Polygon{{0, 0}, {1, 1}}, "corners-few [Count 2]"},
		{"one point more", append(slices.Clone(comb), Point{0, 0.7}), "corners-many [Most 100 Of 101]"},
		{"left of the still", Polygon{{0, 0}, {1, 0}, {-0.01, 1}}, "corner-outside [Corner 3 X -0.01 Y 1]"},
		{"below the still", Polygon{{0, 0}, {1, 1.01}, {0, 1}}, "corner-outside [Corner 2 X 1 Y 1.01]"},
		{"not a number", Polygon{{math.NaN(), 0}, {1, 0}, {0, 1}}, "corner-outside [Corner 1 X NaN"},
		{"infinite", Polygon{{0, 0}, {1, 0}, {0, math.Inf(1)}}, "corner-outside [Corner 3 X 0 Y +Inf]"},
		{"a point twice", Polygon{{0, 0}, {0, 0}, {1, 0}, {0, 1}}, "corners-same [Corner 1 Other 2]"},
		{"the last point is the first", append(slices.Clone(square), square[0]), "corners-same [Corner 1 Other 5]"},
		{"zero of either sign", Polygon{{0, 0}, {1, 0}, {1, 1}, {math.Copysign(0, -1), 0}},
			"corners-same [Corner 1 Other 4]"},
		{"two triangles that share a corner", Polygon{{0, 0}, {0.5, 0.5}, {0, 1}, {1, 1}, {0.5, 0.5}, {1, 0}},
			"corners-same [Corner 2 Other 5]"},
		{"hourglass", Polygon{{0, 0}, {1, 1}, {1, 0}, {0, 1}}, "sides-cross [From 1 To 2 OtherFrom 3 OtherTo 4]"},
		{"star in one stroke", Polygon{{0.5, 0}, {0.8, 1}, {0, 0.4}, {1, 0.4}, {0.2, 1}}, "sides-cross [From 1 To 2 "},
		{"a corner on a side", Polygon{{0, 0}, {1, 0}, {1, 1}, {0.5, 0}, {0, 1}},
			"sides-cross [From 1 To 2 OtherFrom 3 OtherTo 4]"},
		{"two sides on one line", Polygon{{0, 0}, {1, 0}, {1, 1}, {0.8, 1}, {0.8, 0}, {0.2, 0}, {0, 1}},
			"sides-cross"},
		{"a side that folds back", Polygon{{0, 0}, {1, 0}, {0.5, 0}, {0, 1}},
			"sides-cross [From 1 To 2 OtherFrom 2 OtherTo 3]"},
		{"the last side folds back", Polygon{{0, 0}, {0, 1}, {1, 1}, {0, 0.5}}, "sides-cross [From 1 To 2 "},
		{"a line", Polygon{{0, 0}, {0.5, 0.5}, {1, 1}}, "sides-cross"},
		{"a point seen as a triangle", Polygon{{0.5, 0.5}, {0.501, 0.5}, {0.5, 0.501}}, "mask-tiny"},
	} {
		t.Run(test.name, func(t *testing.T) {
			err := test.p.Check()
			if test.want == "" {
				if err != nil {
					t.Error(err)
				}
				return
			}
			if !errors.Is(err, ErrBadMask) || !strings.Contains(err.Error(), test.want) {
				t.Errorf("%v, want ErrBadMask with %q", err, test.want)
			}
		})
	}
}

func TestCheckMasks(t *testing.T) {
	many := slices.Repeat([]Polygon{square}, MaxMasks+1)
	for _, test := range []struct {
		name  string
		masks []Polygon
		want  string
	}{
		{"none", nil, ""},
		{"as many as there may be", many[:MaxMasks], ""},
		{"one more", many, "masks-many [Most 16 Of 17]"},
		{"the second is bad", []Polygon{square, square[:2], square}, "mask 2: "},
	} {
		err := CheckMasks(test.masks)
		if (err == nil) != (test.want == "") || err != nil &&
			!(errors.Is(err, ErrBadMask) && strings.Contains(err.Error(), test.want)) {
			t.Errorf("%s: %v, want %q", test.name, err, test.want)
		}
	}
}

// Rounded arithmetic calls these three points collinear or puts the third on
// the wrong side. Outside: the exact values by hand, which powers of two make
// easy, and a failure of the kind shown by L. Kettner and others, Classroom
// Examples of Robustness Problems in Geometric Computations (2008), section 4
// (its base points 0.5, 12 and 24 here divided by 32; from memory).
func TestSideIsExact(t *testing.T) {
	const u = 0x1p-53
	for _, test := range []struct {
		a, b, c Point
		want    int
	}{
		{Point{0, 0}, Point{1, 0}, Point{0, 1}, 1},
		{Point{0, 0}, Point{0, 1}, Point{1, 0}, -1},
		{Point{0, 0}, Point{1, 1}, Point{0.5, 0.5}, 0},
		{Point{0, 0}, Point{1, 1}, Point{0.5, 0.5 + u}, 1},
		{Point{0, 0}, Point{1, 1}, Point{0.5 + u, 0.5}, -1},
		{Point{0, 0}, Point{1, 1}, Point{0x1p-1074, 0}, -1},
		{Point{0, 0}, Point{1, 0x1p-1074}, Point{0.5, 0}, -1},
		{Point{0, 0}, Point{0x1p-1000, 0x1p-1000}, Point{0x1p-1001, 0x1p-1001}, 0},
	} {
		if got := side(test.a, test.b, test.c); got != test.want {
			t.Errorf("side%v = %d, want %d", []Point{test.a, test.b, test.c}, got, test.want)
		}
	}

	b, c := Point{12.0 / 32, 12.0 / 32}, Point{24.0 / 32, 24.0 / 32}
	rounded := 0
	for i := range 256 {
		for j := range 256 {
			a := Point{0.5/32 + float64(i)*u/32, 0.5/32 + float64(j)*u/32}
			want := 0 // b and c are on the diagonal, so a's own sum says it
			if a.Y != a.X {
				want = map[bool]int{true: 1, false: -1}[a.Y > a.X]
			}
			if got := side(b, c, a); got != want {
				t.Fatalf("side(%v, %v, %v) = %d, want %d", b, c, a, got, want)
			}
			if l, r := (b.X-a.X)*(c.Y-a.Y), (b.Y-a.Y)*(c.X-a.X); (l > r) != (want > 0) || (l < r) != (want < 0) {
				rounded++
			}
		}
	}
	if rounded == 0 {
		t.Error("rounded arithmetic would have done: these points test nothing")
	}
}

// Outside: the worked example of the shoelace formula in Wikipedia's article on
// it, a pentagon of area 16.5 (from memory), here scaled by a tenth.
func TestAreaByShoelace(t *testing.T) {
	pentagon := Polygon{{0.1, 0.6}, {0.3, 0.1}, {0.7, 0.2}, {0.4, 0.4}, {0.8, 0.5}}
	if err := pentagon.Check(); err != nil {
		t.Error(err)
	}
	if got := pentagon.area(); math.Abs(got-0.165) > 1e-12 {
		t.Errorf("area %v, want 0.165", got)
	}
	slices.Reverse(pentagon)
	if got := pentagon.area(); math.Abs(got-0.165) > 1e-12 {
		t.Errorf("area %v the other way round, want 0.165", got)
	}
}

// A star is a polygon around (0.5, 0.5) whose corners come in the order of
// their directions from there, less than half a turn apart: it is simple.
func star(r *rand.Rand, n int) Polygon {
	p := make(Polygon, n)
	for i := range p {
		sin, cos := math.Sincos(2 * math.Pi * (float64(i) + 0.8*r.Float64()) / float64(n))
		d := 0.05 + 0.45*r.Float64()
		p[i] = Point{0.5 + d*cos, 0.5 + d*sin}
	}
	return p
}

// crossed is a star with two corners in each other's place.
func crossed(r *rand.Rand) Polygon {
	p := star(r, 5+r.IntN(10))
	i := r.IntN(len(p))
	j := (i + 2 + r.IntN(len(p)-3)) % len(p)
	p[i], p[j] = p[j], p[i]
	return p
}

func TestRandomStarsAreMasks(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 1))
	for range 300 {
		p := star(r, 5+r.IntN(MaxMaskPoints-4))
		if err := p.Check(); err != nil {
			t.Fatalf("%v: %v", p, err)
		}
		if !p.Contains(0.5, 0.5) {
			t.Fatalf("%v does not contain its middle", p)
		}
		for i, q := range p {
			if out := 1.01; p.Contains(0.5+out*(q.X-0.5), 0.5+out*(q.Y-0.5)) {
				t.Fatalf("%v contains what is beyond its point %d", p, i+1)
			}
			if in := 0.99; !p.Contains(0.5+in*(q.X-0.5), 0.5+in*(q.Y-0.5)) {
				t.Fatalf("%v does not contain what is before its point %d", p, i+1)
			}
		}
	}
}

// Points on a circle have one simple outline, the circle's own order: every
// other order crosses itself.
func TestRandomOrdersOnACircle(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 2))
	refused := 0
	for range 300 {
		n := 4 + r.IntN(30)
		order := r.Perm(n)
		if r.IntN(4) == 0 { // few of the shuffled ones cross only once
			slices.Sort(order)
			i := r.IntN(n - 1)
			order[i], order[i+1] = order[i+1], order[i]
		}
		p := make(Polygon, n)
		for i, at := range order {
			sin, cos := math.Sincos(2 * math.Pi * float64(at) / float64(n))
			p[i] = Point{0.5 + 0.5*cos, 0.5 + 0.5*sin}
		}
		simple := true
		step := order[1] - order[0]
		for i, at := range order {
			d := order[(i+1)%n] - at
			simple = simple && (d-step)%n == 0 && (step*step == 1 || step*step == (n-1)*(n-1))
		}
		err := p.Check()
		if (err == nil) != simple || err != nil && !strings.Contains(err.Error(), "sides-cross") {
			t.Fatalf("%v in the order %v: %v", p, order, err)
		}
		if !simple {
			refused++
		}
	}
	if refused < 200 {
		t.Errorf("only %d of 300 orders cross", refused)
	}
}

// Outside: Pick's theorem (1899): a simple polygon with whole corners has the
// area I + B/2 - 1, where I is how many whole points are in it and B how many
// are on its outline.
func TestPicksTheorem(t *testing.T) {
	const n = 64 // whole points a side; a power of two, so that fractions are exact
	r := rand.New(rand.NewPCG(3, 3))
	checked := 0
	for checked < 100 {
		p := star(r, 5+r.IntN(8))
		boundary := 0
		for i := range p {
			p[i] = Point{math.Round(p[i].X*n) / n, math.Round(p[i].Y*n) / n}
		}
		if p.Check() != nil {
			continue // rounded, some touch themselves
		}
		checked++
		for i, a := range p {
			b := p[p.next(i)]
			boundary += gcd(int(math.Abs(a.X-b.X)*n), int(math.Abs(a.Y-b.Y)*n))
		}
		inside := 0
		for y := range n + 1 {
			for x := range n + 1 {
				at := Point{float64(x) / n, float64(y) / n}
				on := slices.ContainsFunc(p, func(a Point) bool {
					b := p[p.next(slices.Index(p, a))]
					return side(a, b, at) == 0 && between(a, at, b)
				})
				if !on && p.Contains(at.X, at.Y) {
					inside++
				}
			}
		}
		if got, want := p.area()*n*n, float64(inside)+float64(boundary)/2-1; math.Abs(got-want) > 1e-6 {
			t.Fatalf("%v: area %v, by Pick's theorem %v", p, got, want)
		}
	}
}

func gcd(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// Outside: the exact rational geometry of SymPy.
func TestSymPyAgrees(t *testing.T) {
	const program = `
import json, sys
from itertools import combinations
from sympy import Point2D, Polygon, Rational, Segment

def simple(corners):
    if len(set(corners)) < len(corners):
        return False
    sides = [Segment(a, b) for a, b in zip(corners, corners[1:] + corners[:1])]
    for (i, s), (j, u) in combinations(enumerate(sides), 2):
        common = s.intersection(u)
        neighbours = j - i == 1 or j - i == len(sides) - 1
        if common and not (neighbours and all(isinstance(c, Point2D) for c in common)):
            return False
    return True

answers = []
for outline in json.load(sys.stdin):
    corners = [Point2D(Rational(p["x"]), Rational(p["y"])) for p in outline]
    s = simple(corners)
    answers.append({"Simple": s, "Area": float(abs(Polygon(*corners).area)) if s else 0})
json.dump(answers, sys.stdout)`
	r := rand.New(rand.NewPCG(3, 4))
	var outlines []Polygon
	for range 15 {
		outlines = append(outlines, star(r, 5+r.IntN(4)), crossed(r))
		scattered := make(Polygon, 3+r.IntN(4)) // on a coarse grid, so that much touches
		for i := range scattered {
			scattered[i] = Point{float64(r.IntN(5)) / 4, float64(r.IntN(5)) / 4}
		}
		outlines = append(outlines, scattered)
	}
	var answers []struct {
		Simple bool
		Area   float64
	}
	python.Ask(t, "sympy", program, outlines, &answers)
	simple := 0
	for i, p := range outlines {
		if answers[i].Simple {
			simple++
		}
		if err := p.Check(); (err == nil) != answers[i].Simple {
			t.Errorf("%v: %v, SymPy says that it is simple: %v", p, err, answers[i].Simple)
		} else if err == nil && math.Abs(p.area()-answers[i].Area) > 1e-9 {
			t.Errorf("%v: area %v, by SymPy %v", p, p.area(), answers[i].Area)
		}
	}
	if simple < 15 || len(outlines)-simple < 15 {
		t.Errorf("%d of %d outlines are simple: too few of one kind to compare", simple, len(outlines))
	}
}

func TestContains(t *testing.T) {
	bracket := Polygon{{0.2, 0.2}, {0.8, 0.2}, {0.8, 0.8}, {0.6, 0.8}, {0.6, 0.4}, {0.4, 0.4}, {0.4, 0.8}, {0.2, 0.8}}
	for _, test := range []struct {
		x, y float64
		want bool
	}{
		{0.3, 0.5, true}, {0.7, 0.5, true}, {0.5, 0.3, true},
		{0.5, 0.6, false}, // between its legs
		{0.1, 0.4, false}, // level with corners
		{0.9, 0.4, false},
		{0.1, 0.2, false},
		{0.5, 0.1, false}, {0.5, 0.9, false},
		{math.NaN(), 0.5, false}, {0.3, math.NaN(), false}, {math.Inf(1), 0.5, false}, {math.Inf(-1), 0.5, false},
	} {
		if got := bracket.Contains(test.x, test.y); got != test.want {
			t.Errorf("Contains(%v, %v) = %v", test.x, test.y, got)
		}
	}
	if Polygon(nil).Contains(0.5, 0.5) {
		t.Error("nothing contains something")
	}
}

// FuzzPolygon feeds Check what a web page may send. What it takes must hold
// from wherever the outline is walked, and in the archive's JSON.
func FuzzPolygon(f *testing.F) {
	for _, p := range []Polygon{square, star(rand.New(rand.NewPCG(1, 1)), 9), {{0, 0}, {1, 1}, {1, 0}, {0, 1}},
		{{0, 0}, {0x1p-1074, 1}, {0.5, 1}}} {
		b, err := json.Marshal(p)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		var p Polygon
		if json.Unmarshal(b, &p) != nil {
			return
		}
		err := p.Check()
		if err != nil && !errors.Is(err, ErrBadMask) {
			t.Fatalf("an error of no kind: %v", err)
		}
		if len(p) < 3 || len(p) > MaxMaskPoints {
			return
		}
		_, _, repeated := p.repeated()
		turned := append(slices.Clone(p[1:]), p[0])
		slices.Reverse(turned)
		if again := turned.Check(); (again == nil) != (err == nil) && math.Abs(p.area()-minMaskArea) > 1e-9 {
			t.Errorf("%v: %v, but from its second point and the other way round %v", p, err, again)
		}
		if err != nil {
			return
		}
		if repeated || !(p.area() >= minMaskArea && p.area() <= 1+1e-9) {
			t.Errorf("%v, of area %v, was taken", p, p.area())
		}
		kept, err := json.Marshal(p)
		if err != nil {
			t.Fatal(err)
		}
		var read Polygon
		if err := json.Unmarshal(kept, &read); err != nil || !slices.Equal(read, p) {
			t.Errorf("%v is read back as %v, %v", p, read, err)
		}
	})
}

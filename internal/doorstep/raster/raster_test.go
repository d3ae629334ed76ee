package raster

import (
	"image"
	"math"
	"testing"
)

// pinhole is a lens of 100 pixels' focal length, its axis at pixel (50, 50).
func pinhole(v Vec) (x, y, depth float64) {
	return 50 + 100*v[0]/v[2], 50 - 100*v[1]/v[2], v[2]
}

// floor is a square that leads away, from 1 m to 5 m deep and 0.4 m under the lens, as two triangles.
func floor(surface int) *Mesh {
	var m Mesh
	for _, at := range []Vec{{-3, -0.4, 1}, {3, -0.4, 1}, {3, -0.4, 5}, {-3, -0.4, 5}} {
		m.Vertices = append(m.Vertices, Vertex{At: at, Normal: Vec{0, 1, 0}, Rest: at})
	}
	m.Triangles = []Triangle{{[3]int32{0, 1, 2}, surface}, {[3]int32{0, 2, 3}, surface}}
	return &m
}

// TestPerspective compares with the ray through a pixel's middle, which meets the
// floor at depth 0.4 / ((y-50)/100): plain geometry of a pinhole.
func TestPerspective(t *testing.T) {
	b := New(image.Rect(0, 0, 101, 101), 3)
	m := floor(7)
	b.Draw(m, m.Through(pinhole))
	pixels := 0
	b.Each(func(x, y int, seen []Fragment) {
		if len(seen) != 1 || seen[0].Surface != 7 || seen[0].Coverage < 1 {
			return // the edge
		}
		pixels++
		slope := (float64(y) - 50) / 100
		depth := 0.4 / slope
		if got := seen[0].Rest[2]; math.Abs(got-depth) > 0.02*depth {
			t.Errorf("pixel %d, %d: depth %.3f, want %.3f", x, y, got, depth)
		}
		if got, want := seen[0].At[0], (float64(x)-50)/100*depth; math.Abs(got-want) > 0.02*depth {
			t.Errorf("pixel %d, %d: %.3f m to the right, want %.3f", x, y, got, want)
		}
		if got, ok := b.Depth(x, y); !ok || math.Abs(got-depth) > 0.05*depth {
			t.Errorf("pixel %d, %d: Depth %.3f, want %.3f", x, y, got, depth)
		}
	})
	if pixels < 2000 {
		t.Errorf("%d pixels of the floor, want rows 59 to 89 nearly whole", pixels)
	}
}

// TestNearest has the nearer of two squares seen, whichever is drawn first, and
// the coverage of a pixel that an edge halves.
func TestNearest(t *testing.T) {
	wall := func(depth, left float64) *Mesh {
		m := &Mesh{Triangles: []Triangle{{[3]int32{0, 1, 2}, 0}, {[3]int32{0, 2, 3}, 0}}}
		for _, at := range []Vec{{left, -1, depth}, {1, -1, depth}, {1, 1, depth}, {left, 1, depth}} {
			m.Vertices = append(m.Vertices, Vertex{At: at, Normal: Vec{0, 0, -1}})
		}
		return m
	}
	near, far := wall(1, 0), wall(2, -1)
	for _, order := range [][]*Mesh{{near, far}, {far, near}} {
		b := New(image.Rect(0, 0, 101, 101), 4)
		for _, m := range order {
			b.Draw(m, m.Through(pinhole))
		}
		for _, at := range []struct {
			x     int
			depth float64
		}{{30, 2}, {70, 1}} {
			if got, _ := b.Depth(at.x, 50); math.Abs(got-at.depth) > 1e-6 {
				t.Errorf("pixel %d: depth %v, want %v", at.x, got, at.depth)
			}
		}
		b.Each(func(x, y int, seen []Fragment) {
			if x == 50 && y == 50 && (len(seen) != 2 || seen[0].Coverage != 0.5 || seen[1].Coverage != 0.5) {
				t.Errorf("the edge in the middle of a pixel: %+v, want both by halves", seen)
			}
		})
	}
}

// TestCut looks through the holes of a surface at what lies behind.
func TestCut(t *testing.T) {
	b := New(image.Rect(0, 0, 101, 101), 1)
	m := floor(3)
	m.CutFrom, m.Cut = 3, func(rest Vec, _ int) bool { return rest[0] > 0 }
	b.Draw(m, m.Through(pinhole))
	if _, ok := b.Depth(60, 70); ok {
		t.Error("something is seen in the hole")
	}
	if _, ok := b.Depth(40, 70); !ok {
		t.Error("nothing is seen where there is no hole")
	}
	if _, ok := b.Depth(200, 70); ok {
		t.Error("something is seen beyond the picture")
	}
	m.CutFrom = 4
	b.Draw(m, m.Through(pinhole))
	if _, ok := b.Depth(60, 70); !ok {
		t.Error("a surface before CutFrom was cut")
	}
}

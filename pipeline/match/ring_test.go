package match

import (
	"testing"

	"lintel/internal/house"
)

func TestIdentifyRing(t *testing.T) {
	g := NewGallery([]house.Reference{{Person: "ada", Descriptor: at(0)}, {Person: "ben", Descriptor: at(2)}}, Shipped(),
		DefaultPrior)
	face := func(x float32) house.Face { return house.Face{Descriptor: at(x)} }
	gone := house.Face{Match: &house.Match{Person: "ada"}}
	for _, c := range []struct {
		name   string
		frames [][]house.Face
		want   [][]string // the person, and how many frames; "" a stranger
	}{
		{"one frame", [][]house.Face{{face(0.1), face(2.1)}}, [][]string{{"ada 1", "ben 1"}}},
		{"one person on three", [][]house.Face{{face(0.1)}, {face(0.2)}, {face(-0.1)}},
			[][]string{{"ada 3"}, {"ada 3"}, {"ada 3"}}},
		{"two persons, the other way round", [][]house.Face{{face(0.1), face(2.1)}, {face(2), face(0.02)}},
			[][]string{{"ada 2", "ben 2"}, {"ben 2", "ada 2"}}},
		{"two alike on one frame are two", [][]house.Face{{face(0.1), face(0.2)}}, [][]string{{"ada 1", "ada 1"}}},
		{"the nearer of two alike", [][]house.Face{{face(0.1), face(0.3)}, {face(0.31)}},
			[][]string{{"ada 1", "ada 2"}, {"ada 2"}}},
		{"a stranger stays one", [][]house.Face{{face(1)}, {face(1.1)}}, [][]string{{""}, {""}}},
		{"a chain is not one person", [][]house.Face{{face(0.2)}, {face(0.6)}, {face(0.99)}},
			[][]string{{"ada 1"}, {""}, {""}}},
		{"what has no descriptor is left", [][]house.Face{{gone}, {face(0.1)}}, [][]string{{"ada 0"}, {"ada 1"}}},
		{"one bad frame does not decide", [][]house.Face{{face(0.1)}, {face(0.5)}}, [][]string{{"ada 2"}, {"ada 2"}}},
		{"no faces", [][]house.Face{nil, {}}, [][]string{nil, nil}},
	} {
		g.IdentifyRing(c.frames)
		for i, faces := range c.frames {
			for j, f := range faces {
				got := ""
				if f.Match != nil {
					got = f.Match.Person + " " + string(rune('0'+f.Match.Frames))
				}
				if got != c.want[i][j] {
					t.Errorf("%s: face %d of frame %d is %q, want %q", c.name, j, i, got, c.want[i][j])
				}
			}
		}
	}
}

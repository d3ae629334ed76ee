// Package body shapes human bodies out of one mesh that is a grown-up of no age
// or sex, and of targets that move its points: towards a child, a wide nose, a smile.
//
//	b, err := body.Shape(body.Weights{"asian-female-old": 1, "nose-hump-incr": 0.4})
//	b.Parts["skin"].Quads // corners, as numbers of b.Points
//
// The mesh and the targets are in body.bin.gz, which reduce.py made: see there for
// where they come from. LICENSE.md is theirs.
package body

import (
	"bufio"
	"bytes"
	"compress/gzip"
	_ "embed" // the mesh
	"encoding/binary"
	"fmt"
	"io"
	"maps"
	"slices"
	"sync"

	"lintel/internal/doorstep/raster"
)

// unit is that of the file's whole numbers, in metres.
const unit = 1e-4

//go:embed body.bin.gz
var packed []byte

// Weights are how much of each target goes into a shape, by the target's name: 0
// nothing, 1 as its author drew it; other numbers exaggerate or turn it round.
type Weights map[string]float64

// A Body is a shaped mesh. Its axes are those of somebody who stands upright and
// is looked at: to the right on the picture, up, and towards who looks.
type Body struct {
	Points []raster.Vec // in metres
	Rest   []raster.Vec // the same points on the unshaped mesh, in metres; shared, not to be written to
	Parts  map[string]Part
}

// A Part is what the mesh has of one thing: "skin", "hands", "clothes",
// "eyes", "teeth"; or a joint, such as "joint-neck", whose middle is
// that of its points.
type Part struct {
	First, End int // of its points, which no other part has
	Quads      [][4]int32
}

// Middle is where the part's points are on average.
func (b *Body) Middle(part string) (middle raster.Vec) {
	p := b.Parts[part]
	for _, at := range b.Points[p.First:p.End] {
		middle = middle.Add(at)
	}
	return middle.Times(1 / float64(max(1, p.End-p.First)))
}

// Normals are those of the quads' corners: outwards, of length 1, nothing for points of no quad.
func Normals(points []raster.Vec, quads [][4]int32) []raster.Vec {
	normals := make([]raster.Vec, len(points))
	for _, q := range quads {
		n := points[q[2]].Sub(points[q[0]]).Cross(points[q[3]].Sub(points[q[1]])) // twice the area long
		for _, v := range q {
			normals[v] = normals[v].Add(n)
		}
	}
	for i := range normals {
		normals[i] = normals[i].Unit()
	}
	return normals
}

// Shape is the mesh with the targets applied. A name that is no target's is an error.
func Shape(weights Weights) (*Body, error) {
	m := mesh()
	for _, name := range slices.Sorted(maps.Keys(weights)) {
		if !slices.ContainsFunc(m.targets, func(t target) bool { return t.name == name }) {
			return nil, fmt.Errorf("shaping a body: no target is called %q", name)
		}
	}
	b := &Body{Points: slices.Clone(m.rest), Rest: m.rest, Parts: m.parts}
	for _, t := range m.targets { // in the file's order, so that sums round alike
		w := weights[t.name] * unit
		if w == 0 {
			continue
		}
		for _, move := range t.moves {
			p := &b.Points[move.point]
			for k := range 3 {
				p[k] += w * float64(move.by[k])
			}
		}
	}
	return b, nil
}

type whole struct {
	rest    []raster.Vec
	parts   map[string]Part
	targets []target
}

type target struct {
	name  string
	moves []move
}

type move struct {
	point int32
	by    [3]int16
}

// mesh is the file's content. It was made with the program, so that whatever is wrong with it is a fault of ours.
var mesh = sync.OnceValue(func() whole {
	unpacked, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		panic(fmt.Sprintf("unpacking the body: %v", err))
	}
	r := reader{Reader: bufio.NewReader(unpacked)}
	m := r.whole()
	if r.err != nil {
		panic(fmt.Sprintf("reading the body: %v", r.err))
	}
	return m
})

// A reader takes the file apart. After its first error all it reads is nothing.
type reader struct {
	*bufio.Reader
	err error
}

const magic = "lintel body 1\n"

func (r *reader) whole() (m whole) {
	if s := r.bytes(len(magic)); r.err == nil && s != magic {
		r.err = fmt.Errorf("the file begins with %q", s)
	}
	m.rest = make([]raster.Vec, r.count())
	var at [3]int
	for i := range m.rest {
		for k := range at {
			at[k] += r.number()
			m.rest[i][k] = float64(at[k]) * unit
		}
	}
	m.parts = map[string]Part{}
	first := 0
	for range r.count() {
		name := r.bytes(r.count())
		p := Part{First: first, End: r.count(), Quads: make([][4]int32, r.count())}
		corner := 0
		for i := range p.Quads {
			for k := range 4 {
				corner += r.number()
				p.Quads[i][k] = int32(corner)
			}
		}
		m.parts[name], first = p, p.End
	}
	m.targets = make([]target, r.count())
	for i := range m.targets {
		m.targets[i] = r.target()
	}
	return m
}

func (r *reader) target() target {
	t := target{r.bytes(r.count()), make([]move, r.count())}
	point := 0
	for i := range t.moves {
		point += r.number()
		t.moves[i].point = int32(point)
		for k := range 3 {
			t.moves[i].by[k] = int16(r.number())
		}
	}
	return t
}

func (r *reader) number() int {
	if r.err != nil {
		return 0
	}
	n, err := binary.ReadVarint(r)
	r.err = err
	return int(n)
}

// count is a number of things in the file, of which there are no more than a hundred thousand.
func (r *reader) count() int {
	n := r.number()
	if r.err == nil && (n < 0 || n > 1e5) {
		r.err = fmt.Errorf("the file has %d of something", n)
	}
	if r.err != nil {
		return 0
	}
	return n
}

func (r *reader) bytes(n int) string {
	b := make([]byte, n)
	if r.err == nil {
		_, r.err = io.ReadFull(r, b)
	}
	return string(b)
}

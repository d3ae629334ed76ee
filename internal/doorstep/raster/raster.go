// Package raster finds which triangle of which mesh is seen where: a z-buffer
// over a part of a picture. Meshes go in, fragments come out, and whoever asks
// for them gives them their colours:
//
//	b := raster.New(image.Rect(400, 300, 700, 800), 2)
//	b.Draw(mesh, mesh.Through(lens))
//	b.Each(func(x, y int, seen []raster.Fragment) { … })
//
// Edges are smooth, as each pixel has side by side samples, but all samples of one
// surface within a pixel are one fragment, so that a colour is worked out about
// once a pixel. A lens may bend straight lines: vertices go through it one by one,
// and triangles have to be small enough for that not to show.
package raster

import (
	"image"
	"math"
)

// A Vertex is a corner of triangles.
type Vertex struct {
	At     Vec // where it is, in metres, in the space of the lens
	Normal Vec // outwards, of length 1, in the same space
	Rest   Vec // where it is on the unshaped mesh, to paint by; in whatever unit its owner likes

	Open float64 // 0 to 1: how much of the sky over the surface nothing near hides
}

// A Triangle is three vertices, by index, and the number of its surface: skin, cloth, hair.
type Triangle struct {
	Corners [3]int32
	Surface int
}

// A Mesh is what is drawn. Both sides of a triangle are seen.
type Mesh struct {
	Vertices  []Vertex
	Triangles []Triangle

	// Cut says of a place in rest whether there is a hole in the surface, such as between strands of
	// hair. It is asked of every sample of a surface from CutFrom on; nil has none cut.
	Cut     func(rest Vec, surface int) bool
	CutFrom int
}

// A Lens says where on the picture a place is seen, in pixels, whole at the
// middle of a pixel, and how deep in the picture it lies. Nothing with a corner
// that is less than [Near] deep is drawn.
type Lens func(Vec) (x, y, depth float64)

// Near is the least depth that is drawn, in metres.
const Near = 0.02

// A Fragment is what is seen of one surface of one mesh within a pixel.
type Fragment struct {
	Vertex           // in the middle of what is seen; its normal has length 1
	Surface  int     // of the triangle
	Mesh     int     // which mesh, in the order of Draw
	Coverage float64 // above 0 up to 1, the share of the pixel
}

// A Buffer holds what is nearest, sample by sample.
type Buffer struct {
	bounds  image.Rectangle
	side    int // samples along a side of a pixel
	width   int // samples along a row
	height  int // rows of samples
	samples []sample
	meshes  []*Mesh
	faces   []face
}

type sample struct {
	face  int32 // 1 and up; 0 where nothing is seen
	depth float32
	b, c  float32 // shares of the second and third corner, right in perspective
}

type face struct {
	mesh, triangle int32
}

// New is an empty buffer for the pixels within bounds, each with side by side samples.
func New(bounds image.Rectangle, side int) *Buffer {
	w, h := bounds.Dx()*side, bounds.Dy()*side
	return &Buffer{bounds: bounds, side: side, width: w, height: h, samples: make([]sample, w*h)}
}

// Bounds are the pixels that the buffer is for.
func (b *Buffer) Bounds() image.Rectangle { return b.bounds }

// Through is where the mesh's vertices are seen through a lens: x, y and depth.
func (m *Mesh) Through(lens Lens) []Vec {
	seen := make([]Vec, len(m.Vertices))
	for i := range m.Vertices {
		seen[i][0], seen[i][1], seen[i][2] = lens(m.Vertices[i].At)
	}
	return seen
}

// Draw adds a mesh whose vertices are seen there, as [Mesh.Through] says, and returns its number, that of its
// fragments. The mesh must stay as it is until the buffer has been read.
func (b *Buffer) Draw(m *Mesh, seen []Vec) int {
	number := len(b.meshes)
	b.meshes = append(b.meshes, m)
	for i := range m.Triangles {
		t := &m.Triangles[i]
		p, q, r := &seen[t.Corners[0]], &seen[t.Corners[1]], &seen[t.Corners[2]]
		if min(p[2], q[2], r[2]) >= Near {
			b.triangle(face{int32(number), int32(i)}, b.own(p), b.own(q), b.own(r))
		}
	}
	return number
}

// own turns pixels into samples from the buffer's corner.
func (b *Buffer) own(seen *Vec) Vec {
	return Vec{b.along(seen[0], b.bounds.Min.X), b.along(seen[1], b.bounds.Min.Y), seen[2]}
}

// along turns pixels into samples from the buffer's edge.
func (b *Buffer) along(pixels float64, edge int) float64 {
	return (pixels-float64(edge)+0.5)*float64(b.side) - 0.5
}

func (b *Buffer) triangle(f face, p, q, r Vec) {
	top, bottom := span(p[1], q[1], r[1], b.height)
	if top > bottom {
		return
	}
	left, right := span(p[0], q[0], r[0], b.width)
	area := (q[0]-p[0])*(r[1]-p[1]) - (q[1]-p[1])*(r[0]-p[0])
	if area == 0 || left > right {
		return
	}
	b.faces = append(b.faces, f)
	m := b.meshes[f.mesh]
	t := &m.Triangles[f.triangle]
	cut := m.Cut != nil && t.Surface >= m.CutFrom
	// The shares of the corners as seen change evenly along a row and from row to row.
	qx, qy := (r[1]-p[1])/area, -(r[0]-p[0])/area
	rx, ry := -(q[1]-p[1])/area, (q[0]-p[0])/area
	for y := top; y <= bottom; y++ {
		fx, fy := float64(left)-p[0], float64(y)-p[1]
		kq, kr := qx*fx+qy*fy-qx, rx*fx+ry*fy-rx
		row := b.samples[y*b.width : (y+1)*b.width]
		for x := left; x <= right; x++ {
			kq, kr = kq+qx, kr+rx
			kp := 1 - kq - kr
			if kp < 0 || kq < 0 || kr < 0 {
				continue
			}
			depth := 1 / (kp/p[2] + kq/q[2] + kr/r[2])
			at := &row[x]
			if at.face != 0 && float32(depth) >= at.depth {
				continue
			}
			s := sample{int32(len(b.faces)), float32(depth), float32(kq * depth / q[2]), float32(kr * depth / r[2])}
			if cut && m.Cut(m.rest(t, s), t.Surface) {
				continue
			}
			*at = s
		}
	}
}

// span is which samples of n lie between three places.
func span(p, q, r float64, n int) (first, last int) {
	lo, hi := math.Ceil(min(p, q, r)), math.Floor(max(p, q, r))
	return int(max(lo, 0)), int(min(hi, float64(n-1)))
}

// rest is the place on the unshaped mesh that a sample of the triangle sees.
func (m *Mesh) rest(t *Triangle, s sample) (at Vec) {
	p, q, r := &m.Vertices[t.Corners[0]].Rest, &m.Vertices[t.Corners[1]].Rest, &m.Vertices[t.Corners[2]].Rest
	for k := range 3 {
		at[k] = p[k] + float64(s.b)*(q[k]-p[k]) + float64(s.c)*(r[k]-p[k])
	}
	return at
}

// fragment is what one sample sees, its normal as the vertices have it.
func (b *Buffer) fragment(seen *Fragment, s sample) {
	f := b.faces[s.face-1]
	m := b.meshes[f.mesh]
	t := &m.Triangles[f.triangle]
	shares := [3]float64{1 - float64(s.b) - float64(s.c), float64(s.b), float64(s.c)}
	*seen = Fragment{Surface: t.Surface, Mesh: int(f.mesh), Coverage: 1}
	for i, share := range shares {
		v := &m.Vertices[t.Corners[i]]
		for k := range 3 {
			seen.At[k] += share * v.At[k]
			seen.Normal[k] += share * v.Normal[k]
			seen.Rest[k] += share * v.Rest[k]
		}
		seen.Open += share * v.Open
	}
}

// Each calls shade for every pixel in which anything is seen, row by row, with
// what is seen, of different surfaces or meshes. The slice is used again.
func (b *Buffer) Each(shade func(x, y int, seen []Fragment)) {
	seen := make([]Fragment, 0, b.side*b.side)
	for y := b.bounds.Min.Y; y < b.bounds.Max.Y; y++ {
		for x := b.bounds.Min.X; x < b.bounds.Max.X; x++ {
			if seen = b.pixel(seen[:0], x, y); len(seen) > 0 {
				shade(x, y, seen)
			}
		}
	}
}

// pixel gathers the fragments of a pixel: each the mean of its samples.
func (b *Buffer) pixel(seen []Fragment, x, y int) []Fragment {
	first := (y-b.bounds.Min.Y)*b.side*b.width + (x-b.bounds.Min.X)*b.side
	var run sample // of samples one after the other that see the same triangle: their sums
	count := float32(0)
	for row := range b.side {
		for _, s := range b.samples[first+row*b.width:][:b.side] {
			if s.face == run.face {
				run.b, run.c, count = run.b+s.b, run.c+s.c, count+1
				continue
			}
			seen = b.gather(seen, run, count)
			run, count = s, 1
		}
	}
	seen = b.gather(seen, run, count)
	for i := range seen {
		f := &seen[i]
		k := 1 / f.Coverage
		f.At, f.Rest, f.Normal = f.At.Times(k), f.Rest.Times(k), f.Normal.Unit()
		f.Open *= k
		f.Coverage /= float64(b.side * b.side)
	}
	return seen
}

// gather adds a run of so many samples, if they see anything, to the fragment of its surface, so that each is a sum
// and Coverage the count.
func (b *Buffer) gather(seen []Fragment, run sample, count float32) []Fragment {
	if run.face == 0 {
		return seen
	}
	var f Fragment
	b.fragment(&f, sample{face: run.face, b: run.b / count, c: run.c / count})
	samples := float64(count)
	f.At, f.Normal, f.Rest, f.Open = f.At.Times(samples), f.Normal.Times(samples), f.Rest.Times(samples), f.Open*samples
	f.Coverage = samples
	for i := range seen {
		if s := &seen[i]; s.Mesh == f.Mesh && s.Surface == f.Surface {
			s.At, s.Normal, s.Rest = s.At.Add(f.At), s.Normal.Add(f.Normal), s.Rest.Add(f.Rest)
			s.Open += f.Open
			s.Coverage += samples
			return seen
		}
	}
	return append(seen, f)
}

// Depth is that of the nearest sample within the pixel, in metres, and whether anything is seen there.
func (b *Buffer) Depth(x, y int) (depth float64, ok bool) {
	if !(image.Point{x, y}).In(b.bounds) {
		return 0, false
	}
	depth = math.Inf(1)
	first := (y-b.bounds.Min.Y)*b.side*b.width + (x-b.bounds.Min.X)*b.side
	for i := range b.side * b.side {
		if s := b.samples[first+i/b.side*b.width+i%b.side]; s.face != 0 {
			depth, ok = min(depth, float64(s.depth)), true
		}
	}
	return depth, ok
}

// Depths are those of all pixels, row by row, as Depth has them: infinite where nothing is seen.
func (b *Buffer) Depths() []float32 {
	w, h := b.bounds.Dx(), b.bounds.Dy()
	depths := make([]float32, w*h)
	for i := range depths {
		depth, ok := b.Depth(b.bounds.Min.X+i%w, b.bounds.Min.Y+i/w)
		if !ok {
			depth = math.Inf(1)
		}
		depths[i] = float32(depth)
	}
	return depths
}

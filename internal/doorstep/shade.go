package doorstep

import (
	"image"
	"math"
	"sync"

	"lintel/internal/doorstep/raster"
)

// seen is a fragment's colour, as [figure.paint] has it.
func (p *Person) seen(f *raster.Fragment, turned func(raster.Vec) raster.Vec, l *light) colour {
	m := p.material(f)
	view := f.At.Times(-1).Unit()
	n := f.Normal
	if n.Dot(view) < 0 && f.Surface != skinSurface {
		n = n.Times(-1) // cloth and hair have two sides
	}
	if m.bump != (raster.Vec{}) {
		n = n.Add(turned(m.bump)).Unit()
	}
	return m.lit(n, view, f.At, f.Open, l)
}

// lit is the light that a surface sends back to who looks.
func (m material) lit(n, view, at raster.Vec, open float64, l *light) colour {
	ambient := l.ambient(n).times(open)
	sum := ambient
	var mirrored colour
	for _, b := range l.beams(at, n, max(m.soft[0], m.soft[1], m.soft[2])) {
		if b.of == (colour{}) {
			continue
		}
		cos := n.Dot(b.toward)
		for i, soft := range m.soft {
			sum[i] += b.of[i] * max(0, (cos+soft)/(1+soft)) * mix(open, 1, 0.6)
		}
		if cos > 0 {
			half := b.toward.Add(view).Unit()
			k := m.shine * (m.gloss + 8) / 8 * math.Pow(max(0, n.Dot(half)), m.gloss)
			mirrored = mirrored.plus(b.of.times(k * cos))
		}
	}
	// What is looked at flatly mirrors what is around (Schlick's approximation of Fresnel's equations).
	side := 1 - max(0, n.Dot(view))
	flat := side * side * side * side * side
	mirrored = mirrored.plus(ambient.times(m.shine * (0.5 + 5*flat)))
	return colour(m.albedo).by(sum).plus(mirrored)
}

// opens holds the openness of figures by vertex, for each visitor without pose and expression: a few dozen at most.
var opens sync.Map

// open gives each vertex its openness: that which it has on the same visitor with a face at rest.
func (f *figure) open(v Visitor) {
	rest := Visitor{Who: v.Who, Glasses: v.Glasses, Hat: v.Hat, Scarf: v.Scarf, Carrying: v.Carrying}
	rest.Shows = v.Shows
	known, ok := opens.Load(rest)
	if !ok {
		known, _ = opens.LoadOrStore(rest, rest.modelled().openness())
	}
	for i, open := range known.([]float64) {
		f.mesh.Vertices[i].Open = open
	}
}

const (
	openSide  = 220   // pixels of a view of the figure from afar
	openReach = 0.33  // metres from the middle of the view to its edge
	openSkin  = 0.004 // metres within which a surface doesn't hide itself
	openViews = 40
	between   = 0.15 // of the sky's light reaches the deepest fold, from one side to the other: by eye, no source
)

// openness looks at the figure from all sides: a vertex that many see is open.
func (f *figure) openness() []float64 {
	seen := make([]float64, len(f.mesh.Vertices))
	could := make([]float64, len(f.mesh.Vertices))
	solid := raster.Mesh{Vertices: f.mesh.Vertices}
	for _, t := range f.mesh.Triangles {
		at := f.mesh.Vertices[t.Corners[0]].Rest
		if t.Surface <= hairSurface && t.Surface != eyeSurface && (t.Surface < clothSurface || !f.mesh.Cut(at, t.Surface)) {
			solid.Triangles = append(solid.Triangles, t)
		}
	}
	for i := range openViews {
		// Directions that are spread evenly, along a spiral.
		up := 1 - 1.5*(float64(i)+0.5)/openViews
		around := float64(i) * math.Pi * (3 - math.Sqrt(5))
		flat := math.Sqrt(1 - up*up)
		f.look(&solid, raster.Vec{flat * math.Cos(around), up, flat * math.Sin(around)}, seen, could)
	}
	for i := range seen {
		seen[i] = mix(between, 1, (seen[i]+0.05)/(could[i]+0.05))
	}
	return seen
}

// look adds what is seen from one direction.
func (f *figure) look(solid *raster.Mesh, toward raster.Vec, seen, could []float64) {
	right := raster.Vec{0, 1, 0.01}.Cross(toward).Unit()
	up := toward.Cross(right)
	const k = openSide / 2 / openReach
	middle := raster.Vec{0, -0.08, -0.05}
	lens := func(at raster.Vec) (x, y, depth float64) {
		to := at.Sub(middle)
		return openSide/2 + k*to.Dot(right), openSide/2 - k*to.Dot(up), 10 - to.Dot(toward)
	}
	b := raster.New(image.Rect(0, 0, openSide, openSide), 1)
	b.Draw(solid, solid.Through(lens))
	for i := range f.mesh.Vertices {
		v := &f.mesh.Vertices[i]
		cos := v.Normal.Dot(toward)
		if cos <= 0 {
			continue
		}
		could[i] += cos
		x, y, depth := lens(v.At.Add(v.Normal.Times(openSkin)))
		d, hit := b.Depth(int(x+0.5), int(y+0.5))
		if !hit || d > depth-openSkin {
			seen[i] += cos
		}
	}
}

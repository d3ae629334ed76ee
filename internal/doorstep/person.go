package doorstep

import (
	"math"

	"lintel/internal/doorstep/body"
	"lintel/internal/doorstep/raster"
)

// Surfaces of a figure. From cloth on they have holes: each layer of hair is cut
// into strands, the further out the thinner.
const (
	skinSurface = iota
	eyeSurface
	toothSurface
	frameSurface
	scarfSurface
	clothSurface // cut at the neck
	hatSurface   // cut at its edge
	longSurface
	hairSurface
	beardSurface = hairSurface + hairLayers

	hairLayers  = 4
	beardLayers = 3
)

// figure is the visitor as a mesh, its head straight.
func (v Visitor) figure() *figure {
	f := v.modelled()
	f.open(v)
	return f
}

// modelled is the figure, as if nothing of it hid the sky from the rest.
func (v Visitor) modelled() *figure {
	b, err := body.Shape(v.weights())
	if err != nil {
		panic(err) // whose names are all in people.go
	}
	m := modeller{who: v.Who, body: b}
	m.pose(v)
	m.bare()
	m.dress(v)
	return m.figure()
}

// weights are those of the person, with the expression.
func (v Visitor) weights() body.Weights {
	w := body.Weights{}
	for name, weight := range v.Who.shape {
		w[name] = weight
	}
	for _, side := range []string{"Left", "Right"} {
		w["eyeBlink"+side] = v.Eyes
		w["mouthSmile"+side] = 0.65 * v.Smile
		w["cheekSquint"+side] = 0.35 * v.Smile
		w["mouthUpperUp"+side] = 0.15 * v.Smile
	}
	w["jawOpen"] = 0.7 * v.Mouth
	return w
}

// A modeller puts a figure together, part by part.
type modeller struct {
	who   *Person
	body  *body.Body
	mesh  raster.Mesh
	turns []float64
}

// rest is where a point of the body is on the unshaped mesh, in millimetres.
func (m *modeller) rest(point int32) raster.Vec { return m.body.Rest[point].Times(1000) }

// add is a part of the mesh, of quads whose corners are points of the body, moved as the body's are to places.
func (m *modeller) add(surface int, places []raster.Vec, quads [][4]int32) {
	normals := body.Normals(places, quads)
	number := make([]int32, len(places)) // 0 where there is none yet, and one too high
	corner := func(point int32) int32 {
		if number[point] == 0 {
			v := raster.Vertex{At: places[point], Normal: normals[point], Rest: m.rest(point)}
			number[point] = m.vertex(v) + 1
		}
		return number[point] - 1
	}
	for _, q := range quads {
		m.quad(surface, corner(q[0]), corner(q[1]), corner(q[2]), corner(q[3]))
	}
}

func (m *modeller) vertex(v raster.Vertex) int32 {
	m.mesh.Vertices = append(m.mesh.Vertices, v)
	m.turns = append(m.turns, turns(v.Rest))
	return int32(len(m.mesh.Vertices) - 1)
}

// turns is how far a place of the unshaped mesh, in mm, goes along when the head turns, 0 to 1.
func turns(rest raster.Vec) float64 { return rise(rest[1]+0.5*(rest[2]-30), 570, 655) }

func (m *modeller) quad(surface int, a, b, c, d int32) {
	m.mesh.Triangles = append(m.mesh.Triangles,
		raster.Triangle{Corners: [3]int32{a, b, c}, Surface: surface},
		raster.Triangle{Corners: [3]int32{a, c, d}, Surface: surface})
}

// raised are the quads, and the body's points moved outwards along its normals by a length in mm; left out
// are quads where no corner has any.
func (m *modeller) raised(quads [][4]int32, normals []raster.Vec, by func(raster.Vec) float64) (
	places []raster.Vec, kept [][4]int32,
) {
	places = append(places, m.body.Points...)
	lengths := make([]float64, len(places))
	known := make([]bool, len(places))
	for _, q := range quads {
		most := 0.0
		for _, point := range q {
			if !known[point] {
				known[point], lengths[point] = true, by(m.rest(point))
				places[point] = places[point].Add(normals[point].Times(lengths[point] / 1000))
			}
			most = max(most, lengths[point])
		}
		if most > 0 {
			kept = append(kept, q)
		}
	}
	return places, kept
}

// bare adds what everybody has: skin, eyes, teeth, lashes, hands.
func (m *modeller) bare() {
	for _, part := range []struct {
		name    string
		surface int
	}{{"skin", skinSurface}, {"hands", skinSurface}, {"eyes", eyeSurface}, {"teeth", toothSurface}} {
		quads := m.body.Parts[part.name].Quads
		if part.name == "skin" {
			quads = m.uncovered(quads)
		}
		m.add(part.surface, m.body.Points, quads)
	}
}

// uncovered are the quads that are not wholly under cloth, so that no skin comes through it.
func (m *modeller) uncovered(quads [][4]int32) (kept [][4]int32) {
	for _, q := range quads {
		for _, point := range q {
			if at := m.rest(point); m.who.wears.bare(at.Add(raster.Vec{0, 14, 0})) {
				kept = append(kept, q)
				break
			}
		}
	}
	return kept
}

// figure moves the mesh so that the middle between the eyes is where space begins.
func (m *modeller) figure() *figure {
	k := m.who.stature
	eyes := m.eyes()
	own := func(at raster.Vec) raster.Vec { return at.Sub(eyes).Times(k) }
	f := &figure{mesh: m.mesh, turns: m.turns, pivot: own(m.body.Middle("joint-head"))}
	for i := range f.mesh.Vertices {
		v := &f.mesh.Vertices[i]
		v.At, v.Open = own(v.At), 1
	}
	f.eyes = (eyes[1] - m.body.Middle("joint-ground")[1]) * k
	for i, rest := range landmarks {
		f.landmarks[i] = own(m.body.Points[m.nearest(rest)])
	}
	for _, rest := range outline {
		f.outline = append(f.outline, own(m.body.Points[m.nearest(rest)]))
	}
	f.head = func(surface int) bool { return surface != clothSurface && surface != scarfSurface }
	f.mesh.Cut, f.mesh.CutFrom = m.who.cut, clothSurface
	f.paint = m.who.seen
	return f
}

// landmarks are those of [LandmarkNames] on the unshaped mesh, in mm; outline goes around the face.
var (
	landmarks = []raster.Vec{{-44.5, 728, 129}, {-18, 727, 136}, {18, 727, 136}, {44.5, 728, 129}, {0, 680, 156.5}}
	outline   = []raster.Vec{{-30, 752, 145}, {30, 752, 145}, {0, 617, 137}, {-30, 640, 125}, {30, 640, 125},
		{-72, 700, 55}, {72, 700, 55}, {-70, 740, 70}, {70, 740, 70}}
)

// nearest is the point of the skin that is nearest to a place of the unshaped mesh.
func (m *modeller) nearest(rest raster.Vec) (point int) {
	least := math.Inf(1)
	for p, i := m.body.Parts["skin"], m.body.Parts["skin"].First; i < p.End; i++ {
		if d := m.rest(int32(i)).Sub(rest).Len(); d < least {
			least, point = d, i
		}
	}
	return point
}

// cut says where a surface has holes.
func (p *Person) cut(at raster.Vec, s int) bool {
	switch {
	case s == clothSurface:
		return p.wears.bare(at)
	case s == hatSurface:
		return at[1] < brim(at)
	case s == longSurface:
		return p.hair.ends(at)
	case s >= beardSurface:
		up := float64(s-beardSurface) / (beardLayers - 1)
		return p.beard.strand(at) < mix(-0.6, 0.3, up) || p.beard.stands(at) < 0.8
	default:
		up := float64(s-hairSurface) / (hairLayers - 1)
		grows := p.hair.grows(at)
		if grows < 1+3*up-3*mostStrand {
			return true // whatever the strand
		}
		strand := p.hair.strand(at)
		return grows+3*strand < 1+3*up || up > 0 && strand < mix(-1, 0.25, up)
	}
}

// material is what is seen of a figure at a fragment.
func (p *Person) material(f *raster.Fragment) material {
	at := f.Rest
	switch s := f.Surface; {
	case s == skinSurface:
		return p.paint(at)
	case s == eyeSurface:
		return p.skin.eye(at)
	case s == toothSurface:
		return material{albedo: colour{0.55, 0.52, 0.44}.times(rise(at[2], 110, 150)), shine: 0.05, gloss: 60}
	case s == frameSurface:
		return material{albedo: p.wears.frames, shine: 0.05, gloss: 80}
	case s == clothSurface, s == hatSurface, s == scarfSurface:
		return p.wears.material(s, at)
	case s >= beardSurface:
		up := float64(s-beardSurface) / (beardLayers - 1)
		return material{albedo: p.beard.shade(at, up), shine: 0.02, gloss: 12, soft: colour{0.2, 0.2, 0.2}}
	case s == longSurface:
		return p.hair.material(at, 0.8)
	default:
		return p.hair.material(at, float64(s-hairSurface)/(hairLayers-1))
	}
}

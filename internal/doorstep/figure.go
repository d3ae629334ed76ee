package doorstep

import (
	"math"

	"lintel/internal/doorstep/raster"
)

// A figure is somebody as a mesh, who stands upright and looks straight ahead. Its
// space is its own: metres from the middle between the eyes to the right on the
// picture, up, and towards who looks.
type figure struct {
	mesh  raster.Mesh
	turns []float64  // by vertex: 1 where it turns with the head, 0 where it stays with the shoulders
	pivot raster.Vec // about which the head turns

	eyes      float64       // metres above the ground
	landmarks [5]raster.Vec // see [LandmarkNames]; they turn with the head
	outline   []raster.Vec  // of the face: brows, ears, chin; they turn with the head
	head      func(surface int) bool

	// paint gives a fragment its colour as seen from the lens, which is at the place 0, 0, 0. The
	// fragment's place and normal are in the lens's space; turned leads a direction of the head there.
	paint func(f *raster.Fragment, turned func(raster.Vec) raster.Vec, l *light) colour
}

// A pose is where a figure stands and how its head is turned.
type pose struct {
	at   raster.Vec // the middle between the eyes, in the lens's space
	head [3]raster.Vec
}

// newPose turns a head, whose eyes are at a place, by angles in degrees, as [Visitor] has them.
func newPose(at raster.Vec, yaw, pitch, roll float64) pose {
	p := pose{at: at, head: [3]raster.Vec{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}}
	// At no angles it looks into the lens.
	lens := [3]float64{-math.Atan2(at[0], at[2]) / radian, -math.Atan2(at[1], math.Hypot(at[0], at[2])) / radian, 0}
	for i := range p.head {
		p.head[i] = swing(swing(p.head[i], yaw, pitch, roll), lens[0], lens[1], lens[2])
	}
	return p
}

// swing turns a direction: first by roll, then by pitch, then by yaw.
func swing(v raster.Vec, yaw, pitch, roll float64) raster.Vec {
	sy, cy := math.Sincos(yaw * radian)
	sp, cp := math.Sincos(pitch * radian)
	sr, cr := math.Sincos(roll * radian)
	v = raster.Vec{cr*v[0] + sr*v[1], cr*v[1] - sr*v[0], v[2]}
	v = raster.Vec{v[0], cp*v[1] + sp*v[2], cp*v[2] - sp*v[1]}
	return raster.Vec{cy*v[0] + sy*v[2], v[1], cy*v[2] - sy*v[0]}
}

// turned leads a direction of the head into the lens's space.
func (p pose) turned(v raster.Vec) raster.Vec { return outward(p.rotate(v)) }

func (p pose) rotate(v raster.Vec) raster.Vec {
	return p.head[0].Times(v[0]).Add(p.head[1].Times(v[1])).Add(p.head[2].Times(v[2]))
}

// outward turns what points towards who looks into what points away from the lens.
func outward(v raster.Vec) raster.Vec { return raster.Vec{v[0], v[1], -v[2]} }

// place leads a place that goes along with the head by a share into the lens's space.
func (f *figure) place(p pose, v raster.Vec, share float64) raster.Vec {
	swung := p.rotate(v.Sub(f.pivot)).Add(f.pivot)
	// The eyes are where the scene has them: the shoulders give way.
	eyes := p.rotate(f.pivot.Times(-1)).Add(f.pivot)
	return outward(v.Mix(swung, share).Sub(eyes)).Add(p.at)
}

// posed is the figure's mesh in the lens's space.
func (f *figure) posed(p pose) *raster.Mesh {
	m := f.mesh
	m.Vertices = make([]raster.Vertex, len(f.mesh.Vertices))
	for i, v := range f.mesh.Vertices {
		share := f.turns[i]
		m.Vertices[i] = raster.Vertex{
			At:     f.place(p, v.At, share),
			Normal: outward(v.Normal.Mix(p.rotate(v.Normal), share)).Unit(),
			Rest:   v.Rest,
			Open:   v.Open,
		}
	}
	return &m
}

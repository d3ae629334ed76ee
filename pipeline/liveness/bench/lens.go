package bench

import (
	"math"

	"lintel/store"
)

// Width and Height are those of a still, in pixels.
const (
	Width  = 1280
	Height = 1024
)

// A vec is a place or direction before the bell, in millimetres: x to the
// right, y down, z straight ahead. The lens is at the origin.
type vec struct{ x, y, z float64 }

func (a vec) add(b vec) vec           { return vec{a.x + b.x, a.y + b.y, a.z + b.z} }
func (a vec) sub(b vec) vec           { return vec{a.x - b.x, a.y - b.y, a.z - b.z} }
func (a vec) times(k float64) vec     { return vec{k * a.x, k * a.y, k * a.z} }
func (a vec) dot(b vec) float64       { return a.x*b.x + a.y*b.y + a.z*b.z }
func (a vec) length() float64         { return math.Sqrt(a.dot(a)) }
func (a vec) unit() vec               { return a.times(1 / a.length()) }
func (a vec) cross(b vec) vec         { return vec{a.y*b.z - a.z*b.y, a.z*b.x - a.x*b.z, a.x*b.y - a.y*b.x} }
func radians(degrees float64) float64 { return degrees * math.Pi / 180 }

// A frame is a turned coordinate system: where its three axes point.
type frame [3]vec

func (f frame) of(p vec) vec {
	return f[0].times(p.x).add(f[1].times(p.y)).add(f[2].times(p.z))
}

// turned is f after a turn about its own axes: first yaw about y, then pitch
// about x, then roll about z, in degrees.
func (f frame) turned(yaw, pitch, roll float64) frame {
	spin := func(a, b vec, degrees float64) (vec, vec) {
		sin, cos := math.Sincos(radians(degrees))
		return a.times(cos).add(b.times(sin)), b.times(cos).sub(a.times(sin))
	}
	f[2], f[0] = spin(f[2], f[0], yaw)
	f[1], f[2] = spin(f[1], f[2], pitch)
	f[0], f[1] = spin(f[0], f[1], roll)
	return f
}

// upright is the frame of the scene itself.
var upright = frame{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}

// facing is the frame of something that is held upright with its back along
// the direction away, seen from the lens.
func facing(away vec) frame {
	z := away.unit()
	x := vec{0, 1, 0}.cross(z).unit()
	return frame{x, z.cross(x), z}
}

// optics is the bell's lens and where it looks: a still's pixel for a place and
// the other way round. It draws an angle t to its axis at f·p·(1+k·p²) pixels
// from the middle, where p is tan t or t as the projection says: the first term
// of Brown's radial distortion (Brown, Decentering distortion of lenses, 1966).
type optics struct {
	projection store.Projection
	f, k       float64 // f in pixels; k is 0 or negative, a barrel
	sin, cos   float64 // of the tilt
	angles     []float64
}

// angleStep is how many pixels there are between two entries of angles.
const angleStep = 0.5

// newOptics makes the optics of a lens. bend is how much the distortion takes
// off at the left and right border, 0 to -0.105: with more, no angle is drawn in
// the corners of a straight lens.
func newOptics(lens store.Lens, bend float64) *optics {
	o := &optics{projection: lens.Projection}
	o.sin, o.cos = math.Sincos(radians(lens.Tilt))
	edge := o.p(radians(lens.Angle / 2))
	o.k = bend / (edge * edge)
	o.f = Width / 2 / (edge * (1 + bend))
	diagonal := math.Hypot(Width, Height)/2 + 8
	t := 0.0
	for r := 0.0; r <= diagonal; r += angleStep {
		for range 12 { // Newton's, from the angle before
			h := 1e-6
			slope := (o.radius(t+h) - o.radius(t)) / h
			t -= (o.radius(t) - r) / slope
		}
		o.angles = append(o.angles, t)
	}
	return o
}

func (o *optics) p(t float64) float64 {
	if o.projection == store.Equidistant {
		return t
	}
	return math.Tan(t)
}

// radius is how far from the middle an angle is drawn, in pixels.
func (o *optics) radius(t float64) float64 {
	p := o.p(t)
	return o.f * p * (1 + o.k*p*p)
}

// project returns where a place is on the still, in pixels from the left upper
// corner, and false for one that the lens can't draw.
func (o *optics) project(p vec) (x, y float64, ok bool) {
	cy, cz := p.y*o.cos-p.z*o.sin, p.y*o.sin+p.z*o.cos
	side := math.Hypot(p.x, cy)
	t := math.Atan2(side, cz)
	if t > o.angles[len(o.angles)-1]+0.1 || o.projection == store.Straight && t > 1.5 {
		return 0, 0, false
	}
	if side == 0 {
		return Width / 2, Height / 2, true
	}
	r := o.radius(t) / side
	return Width/2 + r*p.x, Height/2 + r*cy, true
}

// ray returns the direction, of length 1, in which a place on the still looks.
func (o *optics) ray(x, y float64) vec {
	x, y = x-Width/2, y-Height/2
	r := math.Hypot(x, y)
	at := r / angleStep
	i := min(int(at), len(o.angles)-2)
	t := o.angles[i] + (o.angles[i+1]-o.angles[i])*(at-float64(i))
	sin, cos := math.Sincos(t)
	if r > 0 {
		sin /= r
	}
	cy := y * sin
	return vec{x * sin, cy*o.cos + cos*o.sin, cos*o.cos - cy*o.sin}
}

// perMM is about how many pixels a millimetre across is at a place.
func (o *optics) perMM(p vec) float64 {
	side := vec{p.z, 0, -p.x}.unit() // across the line of sight
	ax, ay, _ := o.project(p.sub(side.times(5)))
	bx, by, _ := o.project(p.add(side.times(5)))
	return math.Hypot(bx-ax, by-ay) / 10
}

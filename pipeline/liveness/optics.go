package liveness

import (
	"image"
	"math"

	"lintel/store"
)

// An optics says in which direction the bell sees what is at a place on a
// still.
type optics struct {
	straight bool
	focal    float64 // focal length, in pixels
	cx, cy   float64 // the middle of the still
	sin, cos float64 // of the tilt
}

// opticsOf returns the optics of a lens whose still has that size in pixels.
// The angle of view is that between the left and the right border, so the focal
// length is w/2/tan(angle/2) pixels for a straight lens and w/2/(angle/2) for
// an equidistant one: its projection, solved for f.
func opticsOf(lens store.Lens, size image.Point) optics {
	o := optics{straight: lens.Projection != store.Equidistant, cx: float64(size.X) / 2, cy: float64(size.Y) / 2}
	half := radians(lens.Angle) / 2
	if o.straight {
		o.focal = o.cx / math.Tan(half)
	} else {
		o.focal = o.cx / half
	}
	o.sin, o.cos = math.Sincos(radians(lens.Tilt))
	return o
}

// A direction is a vector of length 1: to the right, down to the ground, and
// straight ahead on the level, whatever the tilt.
type direction [3]float64

// farthestAside is how far from its axis a lens is believed, in radians: what
// would be drawn beyond is far off any still.
const farthestAside = 175 * math.Pi / 180

// see returns the direction of a place on the still. It reports false for one
// that no lens draws.
func (o optics) see(p store.Point) (direction, bool) {
	x, y := p.X-o.cx, p.Y-o.cy
	r := math.Hypot(x, y)
	aside := r / o.focal
	if o.straight {
		aside = math.Atan(aside)
	}
	if !(aside <= farthestAside) { // or not a number
		return direction{}, false
	}
	sin, cos := math.Sincos(aside)
	if r > 0 {
		x, y = x/r*sin, y/r*sin
	}
	// The camera's own axes, turned up by the tilt.
	return direction{x, y*o.cos + cos*o.sin, cos*o.cos - y*o.sin}, true
}

func (d direction) dot(e direction) float64 { return d[0]*e[0] + d[1]*e[1] + d[2]*e[2] }

func (d direction) plus(k float64, e direction) direction {
	return direction{d[0] + k*e[0], d[1] + k*e[1], d[2] + k*e[2]}
}

func (d direction) length() float64 { return math.Sqrt(d.dot(d)) }

func (d direction) times(k float64) direction { return direction{k * d[0], k * d[1], k * d[2]} }

// A bearing is what the lens says of two eyes, whatever their distance.
type bearing struct {
	apart float64 // the angle between them, in radians
	pixel float64 // of it, the part that a pixel makes, in radians
	down  float64 // how far the place between them lies under the lens, in metres for each metre of distance
	yaw   float64 // how far the face is turned from looking at the bell, in radians, by the base of the nose; NaN without one
}

// bearing returns that of a face. Angles between lines of sight are the same
// wherever on the still the face is, which pixels are not: towards the border a
// straight lens draws an angle longer, by 1/cos²(t) outwards and 1/cos(t)
// across, and an equidistant one as long outwards and t/sin(t) across. It
// reports false where no eyes can be.
func (o optics) bearing(eyes [2]store.Point, span float64, landmarks []store.Point) (b bearing, ok bool) {
	left, ok1 := o.see(eyes[0])
	right, ok2 := o.see(eyes[1])
	apart := right.plus(-1, left).length() // 2·sin of half the angle
	middle := left.plus(1, right)
	if !ok1 || !ok2 || !(apart > 1e-9 && middle.length() > 1e-9 && span > 0) {
		return b, false
	}
	middle = middle.times(1 / middle.length())
	b.apart = 2 * math.Asin(min(apart/2, 1))
	b.pixel, b.down, b.yaw = b.apart/span, middle[1], math.NaN()
	if len(landmarks) < 5 {
		return b, true
	}
	nose, ok := o.see(landmarks[4])
	if before := nose.dot(middle); ok && before > 1e-9 {
		along := right.plus(-1, left).times(1 / apart)
		aside := nose.dot(along) / before / (2 * math.Tan(b.apart/2))
		b.yaw = math.Atan(aside / noseDepth)
	}
	return b, true
}

// noseDepth is how far the base of the nose lies before the eyes, as a share of
// their distance, as package quality takes it: 20 of 63 mm, common practice, no
// source. Read by it, a face looking straight ahead may be turned by up to 15
// degrees, and one turned by 20 by 9 to 29.
const noseDepth = 20. / 63

// away returns how far eyes so many metres apart are from the lens, when the
// line between them lies across the line of sight. apart is in radians.
func away(metres, apart float64) float64 { return metres / 2 / math.Tan(apart/2) }

func radians(degrees float64) float64 { return degrees * math.Pi / 180 }
func degrees(radians float64) float64 { return radians * 180 / math.Pi }

package doorstep

import (
	"math"
	"sync"

	"lintel/internal/doorstep/raster"
)

// The lens sits at the height of a bell, level, and sees 114 degrees across. Space
// is its own: metres to the right, upwards and outwards from it.
//
// An angle off the axis becomes a distance from the middle of the still as J. Kannala and
// S. Brandt describe wide-angle lenses ("A generic camera model", 2006), and as OpenCV's
// cv::fisheye has it: focal * (a + bend*a^3), in pixels.
const (
	bellHeight = 1.35  // metres above the ground
	focal      = 664.0 // pixels a radian in the middle
	bend       = -0.03
	middleX    = (Width - 1) / 2.0
	middleY    = (Height - 1) / 2.0
)

// project says where a place is seen, as a [raster.Lens] does.
func project(at raster.Vec) (x, y, depth float64) {
	off := math.Hypot(at[0], at[1])
	a := math.Atan2(off, at[2])
	k := focal / max(at[2], raster.Near) // on the axis itself
	if off > 1e-9 {
		k = focal * a * (1 + bend*a*a) / off
	}
	return middleX + k*at[0], middleY - k*at[1], at[2]
}

// ray is the direction, of length 1, in which a place on the still or near it looks.
func ray(x, y float64) raster.Vec {
	dx, dy := (x-middleX)/focal, (middleY-y)/focal
	at := min(dx*dx+dy*dy, raysEnd-0.01) * raysStep
	i := int(at)
	a, b, t := &rays()[i], &rays()[i+1], at-float64(int(at))
	side := a[0] + t*(b[0]-a[0])
	return raster.Vec{dx * side, dy * side, a[1] + t*(b[1]-a[1])}
}

const (
	raysEnd  = 2.0
	raysStep = 2048.0
)

// rays are, for the square of the distance from the middle in focal lengths: the sine of the angle off the axis,
// by that distance, and its cosine.
var rays = sync.OnceValue(func() *[raysEnd*raysStep + 1][2]float64 {
	var t [raysEnd*raysStep + 1][2]float64
	for i := range t {
		r := math.Sqrt(float64(i) / raysStep)
		a := r
		for range 12 { // Newton's method
			a -= (a*(1+bend*a*a) - r) / (1 + 3*bend*a*a)
		}
		sin, cos := math.Sincos(a)
		t[i] = [2]float64{sin / max(r, 1e-12), cos}
		if i == 0 {
			t[i][0] = 1
		}
	}
	return &t
})

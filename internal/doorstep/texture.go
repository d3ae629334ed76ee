package doorstep

import (
	"math"

	"lintel/internal/doorstep/raster"
)

// grain is noise from -1 to 1.
func grain(p raster.Vec) float64 { return 2*noise(p) - 1 }

// patches are clouds from -1 to 1: waves about size long, in millimetres, and shorter ones within them.
func patches(p raster.Vec, size float64) float64 { return 2*clouds(p.Times(1/size), 3) - 1 }

func ease(t float64) float64 { return t * t * (3 - 2*t) }

// rise goes smoothly from 0, where x is from or beyond it, to 1 at to.
func rise(x, from, to float64) float64 { return ease(min(1, max(0, (x-from)/(to-from)))) }

// hump is 1 where x is 0 and falls to both sides, to 0.6 at width.
func hump(x, width float64) float64 {
	if math.Abs(x) > 4*width {
		return 0 // as good as
	}
	return math.Exp(-x * x / (2 * width * width))
}

func mix(a, b, t float64) float64 { return a + (b-a)*t }

// hex is a colour as screens have it: 0xrrggbb.
func hex(rgb uint32) (c colour) {
	for i := range c {
		c[i] = linear(float64(rgb>>(16-8*i)&255) / 255)
	}
	return c
}

// linear is the light that sRGB's value v stands for, both 0 to 1 (IEC 61966-2-1).
func linear(v float64) float64 {
	if v <= 0.04045 {
		return v / 12.92
	}
	return math.Pow((v+0.055)/1.055, 2.4)
}

// crease is a hump of a width along a line through points, in millimetres.
func crease(x, y, width float64, points ...[2]float64) float64 {
	least, reach := math.Inf(1), 4*width
	for i := range points[1:] {
		a, b := &points[i], &points[i+1]
		if x < min(a[0], b[0])-reach || x > max(a[0], b[0])+reach || y < min(a[1], b[1])-reach || y > max(a[1], b[1])+reach {
			continue // a hump that far away is none
		}
		dx, dy := b[0]-a[0], b[1]-a[1]
		t := min(1, max(0, ((x-a[0])*dx+(y-a[1])*dy)/(dx*dx+dy*dy)))
		least = min(least, math.Hypot(x-a[0]-t*dx, y-a[1]-t*dy))
	}
	return hump(least, width)
}

package doorstep

import (
	"image"
	"math"

	"lintel/internal/doorstep/raster"
)

// A shadow knows what of the visitors stands before the sun or the lamp: their
// meshes, drawn from there.
type shadow struct {
	buffer *raster.Buffer
	lens   raster.Lens
	soft   float64 // how far, in its pixels, an edge is spread
}

const (
	sharp      = 0.008 // metres over which the sun's shadow of a head on a shoulder goes from dark to light
	shadowSide = 512   // pixels
	shadowSkin = 0.012 // metres towards the light,
	shadowOff  = 0.012 // and off the surface, within which it doesn't stand before itself
)

// newShadow draws the meshes as light sees them that comes from toward (far away) through a
// circle of the given radius about the middle, in metres. Edges are spread over soft metres.
func newShadow(meshes []*raster.Mesh, toward, middle raster.Vec, radius, soft float64) *shadow {
	side := raster.Vec{0, 1, 0}
	if math.Abs(toward[1]) > 0.9 {
		side = raster.Vec{0, 0, 1}
	}
	right := side.Cross(toward).Unit()
	up := toward.Cross(right)
	k := shadowSide / 2 / radius
	s := &shadow{buffer: raster.New(image.Rect(0, 0, shadowSide, shadowSide), 1), soft: soft * k}
	s.lens = func(at raster.Vec) (x, y, depth float64) {
		to := at.Sub(middle)
		return shadowSide/2 + k*to.Dot(right), shadowSide/2 - k*to.Dot(up), 10 - to.Dot(toward)
	}
	for _, m := range meshes {
		s.buffer.Draw(m, s.lens)
	}
	return s
}

// open is the share of the light that reaches a place, 0 to 1.
func (s *shadow) open(at raster.Vec) float64 {
	x, y, depth := s.lens(at)
	sum := 0.0
	for dy := -1.5; dy <= 1.5; dy++ {
		for dx := -1.5; dx <= 1.5; dx++ {
			d, hit := s.buffer.Depth(int(math.Floor(x+dx*s.soft+0.5)), int(math.Floor(y+dy*s.soft+0.5)))
			if !hit || d > depth-shadowSkin {
				sum++
			}
		}
	}
	return sum / 16
}

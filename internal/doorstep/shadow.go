package doorstep

import (
	"image"
	"math"

	"lintel/internal/doorstep/raster"
)

// A shadow knows what of the visitors stands before the sun or the lamp: how deep
// their meshes lie as seen from there.
type shadow struct {
	depths            []float32 // of shadowSide by shadowSide pixels, infinite where nothing stands
	middle, right, up raster.Vec
	toward            raster.Vec
	scale             float64 // pixels a metre
	soft              float64 // how far, in its pixels, an edge is spread
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
	s := &shadow{middle: middle, right: right, up: up, toward: toward, scale: k, soft: soft * k}
	b := raster.New(image.Rect(0, 0, shadowSide, shadowSide), 1)
	for _, m := range meshes {
		b.Draw(m, m.Through(s.lens))
	}
	s.depths = b.Depths()
	return s
}

// lens looks from where the light comes from.
func (s *shadow) lens(at raster.Vec) (x, y, depth float64) {
	to := at.Sub(s.middle)
	return shadowSide/2 + s.scale*to.Dot(s.right), shadowSide/2 - s.scale*to.Dot(s.up), 10 - to.Dot(s.toward)
}

// open is the share of the light that reaches a place, 0 to 1.
func (s *shadow) open(at raster.Vec) float64 {
	x, y, depth := s.lens(at)
	var columns [4]int
	for i := range columns {
		columns[i] = int(math.Floor(x + (float64(i)-1.5)*s.soft + 0.5))
	}
	open := 16
	for i := range 4 {
		row := int(math.Floor(y + (float64(i)-1.5)*s.soft + 0.5))
		if row < 0 || row >= shadowSide {
			continue
		}
		for _, column := range columns {
			if column >= 0 && column < shadowSide && float64(s.depths[row*shadowSide+column]) <= depth-shadowSkin {
				open--
			}
		}
	}
	return float64(open) / 16
}

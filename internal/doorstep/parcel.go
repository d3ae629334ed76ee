package doorstep

import (
	"math"

	"lintel/internal/doorstep/raster"
)

// A parcel is held before the chest: where its middle is, in metres from the eyes, and how large it is.
var (
	parcelAt   = raster.Vec{0, -0.47, 0.26}
	parcelSize = raster.Vec{0.30, 0.19, 0.20}
)

// parcel is the one that a figure holds.
func (f *figure) parcel(p pose) *actor {
	a := &actor{mesh: &raster.Mesh{}}
	for side := range 6 {
		axis, sign := side/2, float64(1-2*(side%2))
		f.parcelSide(a.mesh, p, axis, sign)
	}
	a.paint = func(seen *raster.Fragment, l *light) colour {
		sum := l.ambient(seen.Normal)
		for _, b := range l.beams(seen.At, seen.Normal, 0) {
			sum = sum.plus(b.of.times(max(0, seen.Normal.Dot(b.toward))))
		}
		return cardboard(seen.Rest).by(sum)
	}
	return a
}

// parcelSide adds one side, in cells so small that the lens doesn't show.
func (f *figure) parcelSide(m *raster.Mesh, p pose, axis int, sign float64) {
	const cells = 5
	u, v := (axis+1)%3, (axis+2)%3
	var normal raster.Vec
	normal[axis] = sign
	for row := range cells + 1 {
		for column := range cells + 1 {
			var at raster.Vec
			at[axis] = sign * parcelSize[axis] / 2
			at[u] = parcelSize[u] * (float64(column)/cells - 0.5)
			at[v] = parcelSize[v] * (float64(row)/cells - 0.5)
			m.Vertices = append(m.Vertices, raster.Vertex{At: f.place(p, parcelAt.Add(at), 0), Normal: outward(normal),
				Rest: at, Open: 1})
			if row > 0 && column > 0 {
				i := int32(len(m.Vertices) - 1)
				above := i - cells - 1
				m.Triangles = append(m.Triangles, raster.Triangle{Corners: [3]int32{i, i - 1, above}},
					raster.Triangle{Corners: [3]int32{i - 1, above - 1, above}})
			}
		}
	}
}

// cardboard has a strip of tape along its middle, and a label.
func cardboard(at raster.Vec) colour {
	c := colour{0.40, 0.27, 0.16}.times(0.9 + 0.2*noise(at.Times(40)))
	if math.Abs(at[0]) < 0.025 {
		c = colour{0.50, 0.37, 0.23}
	}
	if math.Abs(at[0]-0.09) < 0.045 && math.Abs(at[1]+0.02) < 0.035 {
		c = colour{0.7, 0.7, 0.68}
	}
	return c
}

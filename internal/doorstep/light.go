package doorstep

import "lintel/internal/doorstep/raster"

// A colour is linear light: red, green and blue. White paper in the full sun of noon is about 1.
type colour [3]float64

func (c colour) plus(d colour) colour           { return colour{c[0] + d[0], c[1] + d[1], c[2] + d[2]} }
func (c colour) by(d colour) colour             { return colour{c[0] * d[0], c[1] * d[1], c[2] * d[2]} }
func (c colour) times(k float64) colour         { return colour{c[0] * k, c[1] * k, c[2] * k} }
func (c colour) luminance() float64             { return 0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2] }
func (c colour) mix(d colour, t float64) colour { return c.times(1 - t).plus(d.times(t)) }

// A beam is light from one direction. A matt surface sends back its own colour
// times of, times the cosine between its normal and toward, where that is above 0.
type beam struct {
	toward raster.Vec // where the light comes from, length 1
	of     colour     // all 0 where there is none, or something stands before it
}

// A light is all that falls on visitors.
type light struct {
	sun  beam
	lamp lamp
	sky  beam // of the open sky over the eaves, as if it came from one place

	// around is what comes from everywhere else, by where a surface faces: right, left, up, down, out to the
	// street and back to the house. A matt surface sends back its own colour times this.
	around [6]colour

	shadows [3]*shadow // of the sun, of the lamp and of the sky; nil where nothing stands before them
}

// A lamp shines from a place evenly in all directions.
type lamp struct {
	at raster.Vec
	of colour // at one metre
}

// beams are those of the sun, of the lamp and of the sky as they reach a surface, by its place and normal. There is
// nothing of one that comes from so far behind the surface, as a cosine, that none of it is wanted.
func (l *light) beams(at, normal raster.Vec, behind float64) [3]beam {
	beams := [3]beam{l.sun, l.lamp.beam(at), l.sky}
	for i := range beams {
		b := &beams[i]
		if s := l.shadows[i]; b.of == (colour{}) {
			continue
		} else if normal.Dot(b.toward) <= -behind {
			b.of = colour{}
		} else if s != nil {
			b.of = b.of.times(s.open(at.Add(normal.Times(shadowOff))))
		}
	}
	return beams
}

func (l lamp) beam(at raster.Vec) beam {
	if l.of == (colour{}) {
		return beam{}
	}
	to := l.at.Sub(at)
	d := max(to.Len(), 0.1)
	return beam{to.Times(1 / d), l.of.times(1 / (d*d + 0.04))} // its shade is 20 cm wide
}

// ambient is what reaches a surface with that normal from all around.
func (l *light) ambient(normal raster.Vec) (sum colour) {
	for axis, n := range normal {
		side := 2 * axis
		if n < 0 {
			side++
		}
		sum = sum.plus(l.around[side].times(n * n))
	}
	return sum
}

// flood adds light that comes evenly from the half of all directions about one.
func (l *light) flood(toward raster.Vec, of colour) {
	for side := range l.around {
		cos := toward[side/2] * (1 - 2*float64(side%2))
		l.around[side] = l.around[side].plus(of.times((1 + cos) / 2))
	}
}

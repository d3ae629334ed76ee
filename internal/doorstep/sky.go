package doorstep

import (
	"math"
	"time"

	"lintel/internal/doorstep/raster"
)

// A day is the sky at one hour: its colours, the sun and whether the lamps are on.
type day struct {
	weather Sky
	sun     beam
	zenith  colour
	horizon colour
	glow    colour // about the sun
	lamps   float64
	drift   raster.Vec // of the clouds
	half    colour     // what a matt surface gets that faces upwards
}

// dark is how much light a town's sky has at night, with noon's at about 1.
const dark = 0.0004

// newDay is what the sky is like when the sun stands there.
func newDay(toward raster.Vec, weather Sky, at time.Time) day {
	elevation := math.Asin(toward[1]) / radian
	d := day{weather: weather, sun: beam{toward: toward}, lamps: 1 - rise(elevation, -3, 2.5)}
	d.drift = raster.Vec{float64(at.YearDay()) * 3.7, float64(at.Hour()) * 1.3, float64(at.Minute()) / 40}
	// Twilight: a tenth for every five degrees below the horizon, as measured skies fall off (from memory).
	day := rise(elevation, -4, 35)*0.8 + 0.2*rise(elevation, -6, 8) + 0.03*math.Pow(10, min(elevation, 0)/5)
	red := 1 - rise(elevation, -2, 14)
	switch weather {
	case Clear:
		d.sun.of = sunlight(elevation)
		d.zenith = colour{0.10, 0.19, 0.42}.times(day).mix(colour{0.10, 0.14, 0.26}.times(day), red)
		d.horizon = colour{0.42, 0.50, 0.60}.times(day).mix(colour{0.75, 0.42, 0.22}.times(day), 0.8*red)
		d.glow = d.sun.of.times(0.5)
	case Overcast:
		d.zenith = colour{0.46, 0.49, 0.53}.times(0.6 * day)
		d.horizon = colour{0.34, 0.36, 0.39}.times(0.6 * day)
	default:
		d.zenith = colour{0.27, 0.30, 0.34}.times(0.5 * day)
		d.horizon = colour{0.30, 0.33, 0.37}.times(0.5 * day)
	}
	d.zenith = d.zenith.plus(colour{0.25, 0.3, 0.5}.times(dark))
	d.horizon = d.horizon.plus(colour{1.2, 0.8, 0.5}.times(dark))
	d.half = d.horizon.mix(d.zenith, 0.6).times(1.6)
	return d
}

// sunlight is that of the sun at a height in degrees, reddened by the air it comes through: F. Kasten and
// A. Young, "Revised optical air mass tables" (1989); the air's depths are of our own choice.
func sunlight(elevation float64) colour {
	if elevation < -0.5 {
		return colour{}
	}
	h := max(elevation, 0)
	mass := 1 / (math.Sin(h*radian) + 0.50572*math.Pow(h+6.07995, -1.6364))
	var c colour
	for k, depth := range [3]float64{0.10, 0.155, 0.27} {
		c[k] = 1.2 * math.Exp(-depth*mass)
	}
	return c.times(rise(elevation, -0.5, 1.5))
}

// toward is the sky's colour in a direction above the horizon.
func (d *day) toward(v raster.Vec) colour {
	up := max(v[1], 0)
	c := d.horizon.mix(d.zenith, 1-math.Pow(1-up, 3))
	sunwards := max(v.Dot(d.sun.toward), 0)
	c = c.plus(d.glow.times(0.25*math.Pow(sunwards, 24) + 3*math.Pow(sunwards, 600)))
	// Clouds lie on a sheet far above.
	p := raster.Vec{v[0], 0, v[2]}.Times(1.4 / (up + 0.12)).Add(d.drift)
	switch d.weather {
	case Clear:
		white := colour{0.55, 0.57, 0.6}.times(2 * d.zenith.luminance()).plus(d.sun.of.times(0.3))
		return c.mix(white, 0.75*rise(clouds(p, 5), 0.52, 0.75)*rise(up, 0, 0.15))
	case Overcast:
		return c.times(0.75 + 0.5*clouds(p, 4))
	default:
		return c.times(0.8 + 0.4*clouds(p, 4))
	}
}

// from is what a matt surface gets from the open sky, by how far it faces upwards.
func (d *day) from(normal raster.Vec) colour {
	return d.half.plus(d.glow.times(0.1 * max(0, normal.Dot(d.sun.toward)))).times(0.5 + 0.5*normal[1])
}

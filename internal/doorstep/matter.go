package doorstep

import (
	"math"

	"lintel/internal/doorstep/raster"
)

// A matter gives a place on a solid its own colour, and how much a lamp behind it shines through, 0 to 1.
type matter func(at, normal raster.Vec) (own colour, shines float64)

// plain has one colour, a little uneven.
func plain(c colour) matter {
	return func(at, _ raster.Vec) (own colour, shines float64) {
		return c.times(0.9 + 0.2*clouds(at.Times(3), 3)), shines
	}
}

// boards are planks of so many metres across, along the axis given, with gaps.
func boards(c colour, width float64, across int) matter {
	return func(at, _ raster.Vec) (own colour, shines float64) {
		n := math.Floor(at[across] / width)
		within := at[across]/width - n
		grain := at.Times(4)
		grain[across] *= 12
		own = c.times((0.75 + 0.3*chance(int(n), across, 7)) * (0.8 + 0.4*clouds(grain.Add(raster.Vec{n * 7, 0, n}), 2)))
		if within < 0.05 || within > 0.96 {
			own = own.times(0.25)
		}
		return own, shines
	}
}

// bricks lie in rows with mortar between them.
func bricks(at, normal raster.Vec) (own colour, shines float64) {
	along := at[2]
	if math.Abs(normal[2]) > 0.5 {
		along = at[0]
	}
	row := math.Floor(at[1] / 0.077)
	x := along/0.25 + 0.5*math.Mod(math.Abs(row), 2)
	n := math.Floor(x)
	dx, dy := min(x-n, 1-x+n)*0.25, at[1]-row*0.077
	tone := chance(int(n), int(row), 3)
	own = colour{0.33, 0.13, 0.085}.mix(colour{0.22, 0.095, 0.07}, tone).times(0.8 + 0.4*clouds(at.Times(40), 2))
	if dx < 0.006 || dy < 0.012 {
		own = colour{0.42, 0.40, 0.36}.times(0.8 + 0.3*noise(at.Times(60)))
	}
	return own, shines
}

// slabs are square stones with joints.
func slabs(c colour, size float64) matter {
	return func(at, normal raster.Vec) (own colour, shines float64) {
		own = c
		x, z := math.Floor(at[0]/size), math.Floor(at[2]/size)
		own = own.times((0.85 + 0.25*chance(int(x), int(z), 11)) * (0.8 + 0.35*clouds(at.Times(14), 4)))
		dx, dz := at[0]/size-x, at[2]/size-z
		if gap := 0.012 / size; normal[1] > 0.5 && (dx < gap || dz < gap) {
			own = own.times(0.35)
		}
		return own, shines
	}
}

// grass is lawn: long noise of its height, short noise of its blades.
func grass(at, _ raster.Vec) (own colour, shines float64) {
	blades := noise(raster.Vec{at[0] * 45, at[1] * 45, at[2] * 30})
	own = colour{0.07, 0.13, 0.025}.mix(colour{0.15, 0.20, 0.05}, clouds(at.Times(1.2), 3))
	return own.times(0.55 + 0.9*blades), shines
}

// foliage has leaves of a colour, some in the light and some within.
func foliage(c colour) matter {
	return func(at, _ raster.Vec) (own colour, shines float64) {
		leaf := noise(at.Times(16))
		return c.times(0.35 + 0.8*leaf*(0.5+noise(at.Times(5)))), shines
	}
}

// gravel is stones of a few greys.
func gravel(at, _ raster.Vec) (own colour, shines float64) {
	own = colour{0.30, 0.26, 0.21}.times(0.55 + 0.6*noise(at.Times(70)) + 0.3*noise(at.Times(9)))
	// Grass in the middle of the way, and at its edges.
	green, _ := grass(at, raster.Vec{})
	return own.mix(green, rise(clouds(at.Times(1.1), 4)+0.25*math.Exp(-at[0]*at[0]*8), 0.45, 0.65)), shines
}

// asphalt with a white line along its middle at z.
func asphalt(line float64) matter {
	return func(at, _ raster.Vec) (own colour, shines float64) {
		own = colour{0.085, 0.085, 0.09}.times(0.75 + 0.3*noise(at.Times(30)) + 0.25*clouds(at.Times(0.8), 3))
		if math.Abs(at[2]-line) < 0.07 && math.Mod(at[0]+100, 5) < 2.5 {
			own = colour{0.5, 0.5, 0.47}
		}
		return own, shines
	}
}

// house is a front of plaster with two rows of windows, some of them lit.
func house(c colour, left, floor float64, number int) matter {
	return func(at, normal raster.Vec) (own colour, shines float64) {
		own = c.times(0.85 + 0.2*clouds(at.Times(2), 3))
		if normal[2] > -0.5 {
			return own, shines
		}
		n, storey := math.Floor((at[0]-left)/2.2), math.Floor((at[1]-floor)/2.7)
		x, y := (at[0]-left)/2.2-n, (at[1]-floor)/2.7-storey
		dx, dy := math.Abs(x-0.5)*2.2, math.Abs(y-0.55)*2.7
		if number%3 == int(n) && storey == 0 { // the front door
			if dx < 0.5 && y < 0.8 {
				return colour{0.12, 0.05, 0.04}.times(0.8 + 0.4*clouds(at.Times(5), 2)), shines
			}
			return own, shines
		}
		switch {
		case dx < 0.55 && dy < 0.7: // a pane, with a bar and a curtain behind it
			if dx < 0.03 || math.Abs(dy-0.25) < 0.02 {
				return colour{0.6, 0.6, 0.58}, shines
			}
			own = colour{0.05, 0.06, 0.075}.mix(colour{0.25, 0.24, 0.22}, rise(dx, 0.25, 0.5))
			if chance(int(n), int(storey), number) > 0.55 {
				shines = 0.4 + 0.6*chance(int(n), int(storey), number+1)
			}
		case dx < 0.63 && dy < 0.78:
			own = colour{0.62, 0.62, 0.6}
		}
		return own, shines
	}
}

// tiles of a roof.
func tiles(c colour) matter {
	return func(at, _ raster.Vec) (own colour, shines float64) {
		row := math.Floor(at[1] / 0.18)
		n := math.Floor(at[0]/0.25 + 0.5*row)
		own = c.times(0.7 + 0.4*chance(int(n), int(row), 5) + 0.2*noise(at))
		return own.times(0.7 + 0.3*rise(at[1]/0.18-row, 0, 0.3)), shines
	}
}

var (
	bark   = plain(colour{0.11, 0.085, 0.06})
	white  = plain(colour{0.62, 0.61, 0.57})
	cream  = plain(colour{0.75, 0.73, 0.68})
	stone  = plain(colour{0.36, 0.34, 0.31})
	leaves = foliage(colour{0.11, 0.19, 0.045})
	dusky  = foliage(colour{0.075, 0.13, 0.05})
	bright = foliage(colour{0.19, 0.25, 0.06})
)

package doorstep

import "lintel/internal/doorstep/raster"

const ground = -bellHeight

// lampAt is where each door's lamp is, beside and above the bell.
var lampAt = [...]raster.Vec{Front: {0.3, 0.35, 0.05}, Garden: {-0.4, 0.5, 0.1}}

// things are what stands before a door.
func things(d Door) []thing {
	if d == Garden {
		return garden()
	}
	return porch()
}

// porch is a narrow roof over the door, a brick wall to the left, a path to the gate in a
// hedge, the street, and houses opposite.
func porch() []thing {
	far := ground - 0.02
	all := []thing{
		{box(-60, ground-1, -30, 60, ground-0.12, 90), grass, false}, // the lie of the land
		{box(-2.2, ground-1, -1, 2.0, ground, 1.75), slabs(colour{0.36, 0.34, 0.31}, 0.4), false},
		{box(-0.65, ground-1, 1.75, 0.75, ground-0.1, 7.2), slabs(colour{0.27, 0.25, 0.22}, 0.5), false},
		{box(-60, ground-1, 7.2, 60, ground-0.1, 9), slabs(colour{0.28, 0.28, 0.28}, 0.6), false},
		{box(-60, ground-1, 9, 60, far-0.02, 9.15), stone, false},
		{box(-60, ground-1, 9.1, 60, ground-0.16, 15.5), asphalt(12.3), false},
		{box(-60, ground-1, 15.5, 60, ground-0.05, 17.5), slabs(colour{0.28, 0.28, 0.28}, 0.6), false},

		{box(-2.0, 1.02, -1, 1.75, 1.16, 0.3), boards(colour{0.66, 0.65, 0.61}, 0.14, 0), true},
		{box(-2.0, 0.93, 0.24, 1.75, 1.02, 0.3), white, true},
		{box(-2.0, ground, -1, -1.55, 3.5, 2.6), bricks, true},
		{box(-60, ground, -6, 60, 1.5, -0.3), cream, true}, // the household's own house: low eaves, a pale wall

		{ball{raster.Vec{1.45, ground + 0.5, 1.25}, raster.Vec{0.26, 0.36, 0.26}, 0.03}, bright, true},
		{box(1.25, ground, 1.05, 1.65, ground+0.3, 1.45), plain(colour{0.33, 0.14, 0.08}), true},

		{box(-0.95, ground-0.2, 6.4, -0.75, 0.05, 6.6), stone, true},
		{box(0.85, ground-0.2, 6.4, 1.05, 0.05, 6.6), stone, true},
	}
	for i := range 16 {
		x := -9.2 + float64(i)*0.52
		y := ground + 0.5 + 0.1*chance(i, 0, 1)
		all = append(all,
			thing{ball{raster.Vec{x, y, 6.6}, raster.Vec{0.55, 0.75, 0.5}, 0.045}, leaves, true},
			thing{ball{raster.Vec{x + 10.6, y, 6.6}, raster.Vec{0.55, 0.75, 0.5}, 0.045}, leaves, true})
	}
	all = append(all, opposite()...)
	all = append(all, tree(-4.2, 5.2, 4.6, 2.6, 3, bright)...)
	all = append(all, tree(6.5, 17, 8, 4.6, 5, leaves)...)
	all = append(all, tree(-9, 16.6, 7, 4.2, 8, dusky)...)
	return append(all, car(4.2, 14.2)...)
}

// opposite are the houses across the street.
func opposite() (all []thing) {
	walls := []colour{{0.55, 0.50, 0.38}, {0.50, 0.34, 0.26}, {0.60, 0.60, 0.57}, {0.42, 0.46, 0.50}, {0.56, 0.47, 0.30}}
	for i := range 7 {
		left := -33 + 9.6*float64(i)
		floor, height := ground, 5.4+0.5*chance(i, 2, 2)
		right := left + 8.4 + 0.5*chance(i, 1, 1)
		wall := house(walls[i%len(walls)], left, floor, i)
		cover := tiles(colour{0.24, 0.10, 0.07}.mix(colour{0.11, 0.11, 0.12}, chance(i, 3, 3)))
		all = append(all,
			thing{box(left, floor-1, 21, right, floor+height, 29), wall, false},
			thing{roof(left-0.3, floor+height, 20.6, right+0.3, floor+height+3.2, 29.4), cover, false})
	}
	return all
}

// car stands at the kerb, its middle at x and z.
func car(x, z float64) []thing {
	paint := plain(colour{0.06, 0.12, 0.22})
	y := ground - 0.05
	glass := plain(colour{0.04, 0.05, 0.06})
	wheel := func(x float64) thing {
		round := ball{raster.Vec{x, y + 0.2, z - 0.72}, raster.Vec{0.32, 0.32, 0.14}, 0}
		return thing{round, plain(colour{0.02, 0.02, 0.02}), false}
	}
	return []thing{
		{ball{raster.Vec{x, y + 0.62, z}, raster.Vec{2.15, 0.36, 0.85}, 0}, paint, true},
		{box(x-1.95, y+0.25, z-0.8, x+1.95, y+0.72, z+0.8), paint, true},
		{ball{raster.Vec{x - 0.1, y + 0.85, z}, raster.Vec{1.3, 0.6, 0.72}, 0}, glass, true},
		{ball{raster.Vec{x - 0.1, y + 0.95, z}, raster.Vec{1.1, 0.53, 0.62}, 0}, paint, true},
		wheel(x - 1.25), wheel(x + 1.25),
	}
}

// garden is a lane between a fence and a hedge, under trees, seen from the gatepost.
func garden() []thing {
	gate := boards(colour{0.20, 0.26, 0.20}, 0.11, 2)
	fence := boards(colour{0.26, 0.21, 0.16}, 0.15, 2)
	all := []thing{
		{box(-60, ground-1, -30, 60, ground-0.03, 120), grass, false},
		{box(-1.3, ground-1, -5, 1.4, ground, 60), gravel, false},
		{box(-60, ground, -9, 60, 3.5, -4), bricks, true},
		{box(2.35, ground, 0.2, 2.4, 0.35, 26), fence, true},
		{box(2.30, ground, 1.4, 2.5, 0.45, 1.56), boards(colour{0.24, 0.19, 0.14}, 0.2, 0), true},
		{box(2.30, ground, 4.4, 2.5, 0.45, 4.56), boards(colour{0.24, 0.19, 0.14}, 0.2, 0), true},
		{box(-1.02, ground+0.12, 0.25, -0.97, -0.15, 1.25), gate, true}, // open
		{box(-1.04, ground+0.3, 0.2, -0.95, ground+0.4, 1.3), white, true},
		{box(-1.04, -0.4, 0.2, -0.95, -0.3, 1.3), white, true},
		{box(-5.4, ground, 11, -2.6, 0.9, 14), boards(colour{0.30, 0.17, 0.10}, 0.16, 0), true}, // a shed
		{roof(-5.7, 0.9, 10.7, -2.3, 2.1, 14.3), tiles(colour{0.15, 0.13, 0.12}), true},
	}
	for i := range 14 {
		z := 1.9 + 0.62*float64(i)
		all = append(all, thing{ball{raster.Vec{-2.5 - 0.2*chance(i, 4, 4), ground + 0.55, z},
			raster.Vec{0.55, 0.8 + 0.2*chance(i, 5, 5), 0.6}, 0.05}, dusky, true})
	}
	all = append(all, tree(3.4, 4.0, 5.2, 3.4, 2, leaves)...)
	all = append(all, tree(-3.6, 5.5, 5.6, 3.6, 6, bright)...)
	all = append(all, tree(4.6, 12, 8, 5, 9, dusky)...)
	for i := range 9 {
		all = append(all, tree(-26+6.5*float64(i), 34+4*chance(i, 6, 6), 9+3*chance(i, 7, 7), 7, 20+i, dusky)...)
	}
	return all
}

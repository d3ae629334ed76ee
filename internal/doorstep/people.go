package doorstep

import "lintel/internal/doorstep/body"

// A Person is one of the eight invented people.
type Person struct {
	Name string // a short word by which scenes name them, not a household's name for them

	shape   body.Weights
	stature float64 // how tall, against the shaped mesh
	skin    skin
	brow    brow
	hair    hair
	beard   beard
	wears   clothes
}

// People are those who are drawn, by index and by name.
var People = [8]*Person{heron, juniper, flint, clover, marl, osier, quince, teal}

// both is a target of the left and of the right, with one weight.
func both(w body.Weights, target string, weight float64) {
	w["l-"+target], w["r-"+target] = weight, weight
}

// shaped are weights in which those that begin with "both-" are of the left and of the right.
func shaped(w body.Weights) body.Weights {
	all := body.Weights{}
	for name, weight := range w {
		if len(name) > 5 && name[:5] == "both-" {
			both(all, name[5:], weight)
			continue
		}
		all[name] = weight
	}
	return all
}

// A man past sixty with a heavy chin, grey hair that has gone up, and a moustache.
var heron = &Person{
	Name: "heron",
	shape: shaped(body.Weights{
		"caucasian-male-old": 0.8, "caucasian-male-young": 0.2, "universal-male-old-averagemuscle-minweight": 0.7,
		"both-cheek-bones-incr": 0.8, "both-cheek-inner-decr": 0.25, "both-cheek-volume-decr": 0.9,
		"both-ear-scale-incr": 0.5, "both-eye-bag-incr": 0.8, "both-eye-corner2-up": 0.35,
		"both-eye-epicanthus-in": 0.75, "both-eye-push1-in": 0.1, "both-eye-scale-incr": 0.1,
		"both-eye-trans-up": 0.35, "chin-bones-decr": 0.4, "chin-cleft-incr": 0.5,
		"chin-height-incr": 0.9, "chin-prominent-incr": 0.4, "chin-triangle": 0.15, "chin-width-incr": 0.3,
		"forehead-scale-vert-incr": 0.4, "forehead-temple-incr": 0.25, "head-age-incr": 0.5, "head-diamond": 0.45,
		"head-fat-incr": 0.4, "head-rectangular": 0.9, "head-scale-vert-decr": 0.5, "mouth-angles-down": 0.9,
		"mouth-lowerlip-height-decr": 0.9, "mouth-scale-horiz-incr": 0.85, "mouth-trans-down": 0.35,
		"mouth-upperlip-height-decr": 0.9, "mouth-upperlip-volume-decr": 0.15, "nose-base-down": 0.3,
		"nose-flaring-incr": 0.7, "nose-hump-incr": 0.35, "nose-point-down": 0.4, "nose-scale-depth-incr": 0.3,
		"nose-scale-horiz-decr": 0.15, "nose-scale-vert-incr": 0.45, "nose-width1-decr": 0.65,
	}),
	stature: 1.02,
	skin: skin{tone: hex(0xd1a68e), flush: 0.8, lines: 0.8, frown: 0.4, lip: hex(0xb5796e), lips: 0.6,
		iris: hex(0x7d98a8), shadow: 0.12, marks: 1},
	brow:  brow{colour: hex(0x6e6860), thick: 8, dense: 0.8, arch: 1, tilt: 1, raise: 0.5, inner: 18},
	hair:  hair{colour: hex(0x6f6a64), grey: 0.9, line: 6, recede: 10, top: 9, sides: 6, back: 7, part: 26},
	beard: beard{colour: hex(0x77716a), grey: 0.7, mustache: 6},
	wears: clothes{colour: hex(0x3d4a3c), accent: hex(0x2c352b), thick: 9, neck: 8, frames: hex(0x5a4a30),
		hat: hex(0x4a4f57), scarf: hex(0x7d2f2b)},
}

// A woman in her twenties with a round face, dark skin and a wide crown of curls.
var juniper = &Person{
	Name: "juniper",
	shape: shaped(body.Weights{
		"african-female-young": 1, "both-cheek-bones-incr": 0.15, "both-cheek-volume-incr": 0.65,
		"both-ear-scale-decr": 0.5, "both-eye-corner2-down": 0.55, "both-eye-scale-incr": 0.75,
		"both-eye-trans-in": 0.2, "both-eye-trans-out": 0.3, "chin-bones-decr": 0.5, "chin-height-decr": 0.55,
		"chin-width-decr": 0.4, "forehead-nubian-incr": 0.6, "forehead-scale-vert-incr": 0.15, "head-fat-incr": 0.3,
		"head-invertedtriangular": 0.7, "head-round": 0.8, "head-scale-horiz-incr": 0.15,
		"head-scale-vert-decr": 0.15, "mouth-lowerlip-height-incr": 0.45, "mouth-lowerlip-volume-incr": 0.6,
		"mouth-trans-down": 0.5, "mouth-upperlip-height-incr": 0.4, "mouth-upperlip-volume-incr": 0.5,
		"nose-base-up": 0.45, "nose-flaring-incr": 0.65, "nose-scale-depth-decr": 0.45, "nose-scale-horiz-decr": 0.4,
		"nose-scale-vert-decr": 0.25, "nose-volume-decr": 0.35, "nose-width2-incr": 0.15, "nose-width3-incr": 0.1,
	}),
	stature: 1,
	skin: skin{tone: hex(0x744b33), flush: 0.15, lip: hex(0x7c3b37), lips: 0.8, iris: hex(0x2c1a10), liner: 0.6,
		marks: 2},
	brow: brow{colour: hex(0x120c0a), thick: 4.5, dense: 0.9, arch: 5, tilt: 1, raise: 0.5, inner: 16},
	hair: hair{colour: hex(0x1a1310), top: 42, sides: 34, back: 40, curl: 1, line: -3},
	wears: clothes{colour: hex(0xc9962b), accent: hex(0x8f3f2a), thick: 4, neck: 0, stripes: 34, frames: hex(0x8f1d2c),
		hat: hex(0x2f6f5a), scarf: hex(0xd8cfc0)},
}

// A broad man of forty with a red beard.
var flint = &Person{
	Name: "flint",
	shape: shaped(body.Weights{
		"caucasian-male-young": 1, "universal-male-young-averagemuscle-maxweight": 0.4, "both-cheek-volume-incr": 0.7,
		"both-eye-corner1-down": 0.9, "both-eye-corner2-up": 0.1, "both-eye-height2-incr": 0.2,
		"both-eye-scale-incr": 0.4, "both-eye-trans-down": 0.4, "both-eye-trans-out": 0.5, "chin-prominent-decr": 0.35,
		"chin-triangle": 0.35, "chin-width-incr": 0.8,
		"eyebrows-angle-down": 0.7, "eyebrows-trans-down": 0.3, "eyebrows-trans-forward": 0.4,
		"forehead-temple-decr": 0.4, "head-age-decr": 0.5, "head-fat-incr": 0.7, "head-round": 0.5,
		"head-scale-horiz-incr": 0.25, "head-square": 0.7, "mouth-lowerlip-volume-incr": 0.3,
		"neck-scale-horiz-incr": 0.5, "nose-flaring-incr": 0.2,
		"nose-hump-decr": 0.45, "nose-point-up": 0.4, "nose-scale-depth-decr": 0.9, "nose-scale-vert-decr": 0.4,
		"nose-volume-incr": 0.5, "nose-width1-decr": 0.2, "nose-width2-incr": 0.8, "nose-width3-incr": 0.35,
	}),
	stature: 1.03,
	skin: skin{tone: hex(0xecbfa6), flush: 0.9, freckles: 0.5, lines: 0.2, lip: hex(0xb97469), lips: 0.5,
		iris: hex(0x5f7f5a), marks: 3},
	brow:  brow{colour: hex(0x7a4322), thick: 8, dense: 0.8, arch: 1, tilt: -1, raise: 0, inner: 17},
	hair:  hair{colour: hex(0x84451f), top: 17, sides: 5, back: 6, curl: 0.3, line: 2},
	beard: beard{colour: hex(0x8f4a20), cheeks: 8, chin: 18, mustache: 6},
	wears: clothes{colour: hex(0x7a2420), accent: hex(0x26262e), thick: 7, neck: 4, checks: 46, frames: hex(0x111111),
		hat: hex(0x2b3a55), scarf: hex(0x5c5f3a)},
}

// A girl of ten with freckles and a fringe.
var clover = &Person{
	Name: "clover",
	shape: shaped(body.Weights{
		"caucasian-female-child": 0.9, "caucasian-female-young": 0.1, "both-cheek-bones-incr": 0.1,
		"both-cheek-inner-incr": 0.15, "both-cheek-volume-incr": 0.6, "both-ear-wing-incr": 0.4,
		"both-eye-corner1-up": 0.2, "both-eye-height2-incr": 0.35, "both-eye-scale-incr": 0.3,
		"both-eye-trans-down": 0.2, "chin-height-incr": 0.35, "chin-triangle": 0.4, "chin-width-decr": 0.55,
		"eyebrows-trans-down": 0.25, "forehead-scale-vert-incr": 0.2, "head-age-decr": 0.1, "head-oval": 0.2,
		"head-rectangular": 0.1, "head-scale-horiz-decr": 0.3, "head-scale-vert-decr": 0.4,
		"mouth-lowerlip-height-incr": 0.1, "mouth-scale-horiz-decr": 0.4, "mouth-upperlip-height-incr": 0.1,
		"nose-base-up": 0.55, "nose-flaring-incr": 0.1, "nose-point-up": 0.5, "nose-scale-depth-decr": 0.3,
		"nose-scale-vert-decr": 0.1, "nose-volume-incr": 0.55, "nose-width3-decr": 0.2,
	}),
	stature: 1,
	skin: skin{tone: hex(0xffdec6), flush: 0.8, freckles: 1, lip: hex(0xd28a80), lips: 0.6, iris: hex(0x6a93b8),
		marks: 4},
	brow: brow{colour: hex(0xb58a55), thick: 5.5, dense: 0.5, arch: 1.5, inner: 13},
	hair: hair{colour: hex(0xb8843f), top: 9, sides: 8, back: 10, line: -24, long: 500},
	wears: clothes{colour: hex(0x2d7f86), accent: hex(0xe8d9a8), thick: 4, neck: 0, stripes: 18, frames: hex(0x3a66a8),
		hat: hex(0xc2477a), scarf: hex(0xe0b84a)},
}

// A heavy man in his forties with cropped hair and a black beard on his chin.
var marl = &Person{
	Name: "marl",
	shape: shaped(body.Weights{
		"african-male-young": 0.15, "asian-male-young": 0.35, "caucasian-male-old": 0.5,
		"universal-male-old-averagemuscle-maxweight": 0.5, "both-ear-scale-decr": 0.1, "both-eye-bag-incr": 0.6,
		"both-eye-corner1-down": 0.1, "both-eye-epicanthus-in": 0.65, "both-eye-eyefold-down": 0.2,
		"both-eye-height2-decr": 0.1, "both-eye-trans-up": 0.65, "chin-bones-decr": 0.4,
		"chin-height-decr": 0.3, "chin-jaw-drop-incr": 0.6, "eyebrows-angle-down": 0.2, "head-age-decr": 0.5,
		"head-fat-incr": 0.6, "head-oval": 0.35, "head-scale-horiz-decr": 0.25, "head-square": 0.6,
		"mouth-angles-down": 0.25, "mouth-lowerlip-volume-incr": 0.5, "mouth-scale-horiz-incr": 0.4,
		"mouth-upperlip-volume-decr": 0.2, "neck-double-incr": 0.8, "neck-scale-horiz-incr": 0.6,
		"nose-hump-decr": 0.3, "nose-scale-horiz-incr": 0.7, "nose-volume-incr": 0.3, "nose-width1-decr": 0.25,
		"nose-width3-incr": 0.85,
	}),
	stature: 1,
	skin: skin{tone: hex(0xb38560), flush: 0.3, lines: 0.2, frown: 0.6, lip: hex(0x8d5a4e), lips: 0.6,
		iris: hex(0x24150d), shadow: 0.5, marks: 5},
	brow:  brow{colour: hex(0x17100d), thick: 7, dense: 0.9, tilt: -0.5, raise: 0.5, inner: 11},
	hair:  hair{colour: hex(0x1c1613), top: 4, sides: 3, back: 4, line: -2},
	beard: beard{colour: hex(0x241c19), chin: 5, mustache: 3},
	wears: clothes{colour: hex(0x30415f), accent: hex(0x1b2436), thick: 8, neck: 4, frames: hex(0x1a1a1a),
		hat: hex(0x1f2227), scarf: hex(0x8a8f96)},
}

// A woman of seventy with brown skin and white curls.
var osier = &Person{
	Name: "osier",
	shape: shaped(body.Weights{
		"african-female-old": 0.5, "asian-female-old": 0.3, "caucasian-female-old": 0.2,
		"both-cheek-bones-incr": 0.7, "both-ear-lobe-incr": 0.8, "both-ear-scale-incr": 0.55, "both-eye-bag-incr": 0.7,
		"both-eye-corner1-up": 0.2, "both-eye-corner2-down": 0.6, "both-eye-eyefold-down": 0.6,
		"both-eye-scale-decr": 0.1, "chin-prominent-decr": 0.35, "chin-triangle": 0.75, "chin-width-decr": 0.2,
		"eyebrows-angle-up": 0.15, "eyebrows-trans-down": 0.4, "forehead-temple-incr": 0.55, "head-age-incr": 0.45,
		"head-diamond": 0.6, "head-oval": 0.25, "head-round": 0.2, "head-scale-vert-decr": 0.5,
		"mouth-angles-up": 0.3, "mouth-laugh-lines-in": 0.7, "mouth-upperlip-height-incr": 0.9,
		"nose-base-down": 0.6, "nose-point-down": 0.4, "nose-scale-horiz-incr": 0.15, "nose-scale-vert-decr": 0.3,
		"nose-width1-decr": 0.65, "nose-width2-decr": 0.9, "nose-width3-incr": 0.15,
	}),
	stature: 0.97,
	skin: skin{tone: hex(0x8c5e40), flush: 0.4, lines: 0.75, lip: hex(0x96584c), lips: 0.5,
		iris: hex(0x2e2019), marks: 6},
	brow: brow{colour: hex(0x8a827b), thick: 10.5, dense: 0.6, arch: 1.5, tilt: -2, raise: 2, inner: 13},
	hair: hair{colour: hex(0xc9c6c2), grey: 0.5, top: 26, sides: 24, back: 26, curl: 0.8, line: -4},
	wears: clothes{colour: hex(0x6e5a7d), accent: hex(0x4b3c57), thick: 5, neck: 2, frames: hex(0x6e2f3f),
		hat: hex(0x8c3b4c), scarf: hex(0x3f6f86)},
}

// A woman in her forties with strong brows, a long nose and dark waves of hair.
var quince = &Person{
	Name: "quince",
	shape: shaped(body.Weights{
		"caucasian-female-old": 0.3, "caucasian-female-young": 0.7, "both-cheek-bones-incr": 0.8,
		"both-cheek-inner-decr": 0.55, "both-ear-scale-decr": 0.4, "both-eye-corner2-up": 0.85,
		"both-eye-height2-incr": 0.1, "both-eye-trans-in": 0.4, "both-eye-trans-out": 0.45, "both-eye-trans-up": 0.2,
		"chin-triangle": 0.5, "eyebrows-angle-down": 0.45, "forehead-scale-vert-decr": 0.1, "head-age-decr": 0.45,
		"head-invertedtriangular": 0.7, "head-scale-horiz-decr": 0.15, "head-scale-vert-incr": 0.1,
		"mouth-cupidsbow-incr": 0.6, "mouth-lowerlip-height-decr": 0.5, "mouth-scale-horiz-incr": 0.6,
		"mouth-trans-down": 0.15, "nose-curve-convex": 0.6, "nose-flaring-decr": 0.15, "nose-greek-incr": 0.8,
		"nose-hump-incr": 0.6, "nose-point-up": 0.1, "nose-scale-depth-incr": 0.4, "nose-scale-vert-incr": 0.6,
		"nose-volume-incr": 0.35,
	}),
	stature: 1.01,
	skin: skin{tone: hex(0xca926c), flush: 0.4, lines: 0.3, lip: hex(0x9c2f35), lips: 0.95,
		iris: hex(0x5a3d1c), liner: 0.8, marks: 7},
	brow: brow{colour: hex(0x1c1310), thick: 7.5, dense: 0.95, arch: 4.5, tilt: 1, raise: 2, inner: 11},
	hair: hair{colour: hex(0x2a1a12), top: 16, sides: 17, back: 20, curl: 0.4, part: 10, long: 560},
	wears: clothes{colour: hex(0xd8d2c6), accent: hex(0x9a5b3a), thick: 5, neck: 0, frames: hex(0x20140f),
		hat: hex(0xa8652f), scarf: hex(0x7a1f2b)},
}

// A slight man of twenty with black hair into his forehead.
var teal = &Person{
	Name: "teal",
	shape: shaped(body.Weights{
		"asian-male-child": 0.1, "asian-male-young": 0.9, "universal-male-young-averagemuscle-minweight": 0.5,
		"both-cheek-bones-incr": 0.6, "both-cheek-volume-incr": 0.3, "both-eye-corner1-down": 0.2,
		"both-eye-corner2-up": 0.3, "both-eye-epicanthus-in": 0.6, "both-eye-scale-incr": 0.3,
		"both-eye-trans-down": 0.15, "both-eye-trans-out": 0.75, "chin-height-decr": 0.4, "chin-width-incr": 0.4,
		"eyebrows-angle-up": 0.3, "eyebrows-trans-up": 0.3, "forehead-scale-vert-decr": 0.2,
		"forehead-temple-decr": 0.3, "head-fat-decr": 0.2, "head-round": 0.5, "head-square": 0.6,
		"mouth-lowerlip-volume-incr": 0.4, "mouth-scale-horiz-decr": 0.35, "mouth-upperlip-volume-incr": 0.4,
		"nose-base-up": 0.3, "nose-scale-depth-decr": 0.4, "nose-scale-horiz-incr": 0.3, "nose-scale-vert-decr": 0.4,
		"nose-volume-incr": 0.25, "nose-width3-incr": 0.4,
	}),
	stature: 0.99,
	skin: skin{tone: hex(0xe6c19f), flush: 0.25, lip: hex(0xc0807a), lips: 0.7, iris: hex(0x1f1510),
		shadow: 0.1, marks: 8},
	brow: brow{colour: hex(0x14100f), thick: 6.5, dense: 0.9, arch: 0.5, tilt: 1, inner: 18},
	hair: hair{colour: hex(0x15120f), top: 24, sides: 9, back: 14, line: -26},
	wears: clothes{colour: hex(0x23262b), accent: hex(0x3f8f8a), thick: 10, neck: 4, frames: hex(0x2a2a2e),
		hat: hex(0x7d8288), scarf: hex(0x2f4f3f)},
}

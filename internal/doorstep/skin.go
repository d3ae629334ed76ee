package doorstep

import (
	"math"

	"lintel/internal/doorstep/raster"
)

// A skin is how somebody's face is coloured. It is painted on the unshaped mesh, in
// millimetres, so that brows stay on the brow whatever its shape.
type skin struct {
	tone     colour  // of the cheek, in daylight
	flush    float64 // 0 to 1: how red cheeks, nose and ears are
	freckles float64 // 0 to 1
	lines    float64 // 0 to 1: wrinkles of age
	frown    float64 // 0 to 1: wrinkles between the brows and over them
	lip      colour
	lips     float64 // 0 to 1: how much the lips' colour covers the skin's
	iris     colour
	shadow   float64 // 0 to 1: of a beard that is shaved
	liner    float64 // 0 to 1: dark along the lids
	marks    float64 // a number that sets freckles and blotches apart from others'
}

// A brow is how the brows are drawn.
type brow struct {
	colour colour
	thick  float64 // mm, at its middle
	dense  float64 // 0 to 1
	arch   float64 // mm, how far the middle stands above the ends
	tilt   float64 // mm, how far the outer end stands above the inner one
	raise  float64 // mm above the brow's bone
	inner  float64 // mm from the face's middle; 0 stands for 14
	outer  float64 // mm from the face's middle; 0 stands for 50
}

// A material is what a surface does with light.
type material struct {
	albedo colour
	shine  float64    // share of light from straight ahead that is mirrored: 0.03 on skin
	gloss  float64    // how sharp that mirror is, as Blinn's exponent
	soft   colour     // how far light bleeds past where the sun sets on it, 0 to 1 by colour
	bump   raster.Vec // to be added to the normal, in the mesh's axes
}

// under is how much light the skin lets past the edge of a shadow, red more than blue: by eye, no source.
var under = colour{0.32, 0.16, 0.11}

// paint is the skin's material at a place of the unshaped mesh.
func (p *Person) paint(at raster.Vec) material {
	s := &p.skin
	m := material{albedo: s.tone, shine: 0.028, gloss: 18, soft: under}
	x, y := math.Abs(at[0]), at[1]
	spot := at.Add(raster.Vec{s.marks * 91, s.marks * 57, s.marks * 33})
	blotch := patches(spot, 22)
	m.albedo = m.albedo.times(1 + 0.07*blotch + 0.05*patches(spot, 3))
	m.albedo = m.albedo.by(colour{1, 1, 1}.mix(colour{1.06, 0.80, 0.76}, s.flush*(blush(x, y, at[2])+0.25*blotch)))
	if at[2] > 85 {
		s.face(&m, spot, at, x, y)
		p.brow.paint(&m, at, x, y)
	}
	p.beard.paint(&m, s.shadow, at, x, y)
	p.hair.paint(&m, at)
	if f := at; f[2] > 60 && x < 36 && y > 641 && y < 700 && inside(f, x) {
		m.albedo, m.shine, m.gloss = colour{0.09, 0.02, 0.02}, 0.02, 20
	}
	return m
}

// inside says whether a place is behind the lips.
func inside(at raster.Vec, x float64) bool {
	return at[2] < 136-x*x/34 && (at[1] < 677 || at[2] < 125)
}

// blush is where blood shows: cheeks, nose, ears, chin.
func blush(x, y, z float64) float64 {
	cheek := hump(x-38, 15) * hump(y-697, 14)
	nose := 0.9 * hump(x, 11) * hump(y-694, 9)
	ear := rise(x, 70, 76) * rise(z, 20, 34) * rise(-z, -75, -66) * rise(y, 650, 670) // not hands
	chin := 0.4 * hump(x, 14) * hump(y-630, 9)
	if z < 85 {
		return 0.8 * ear
	}
	return cheek + nose + chin
}

// face paints what only the front of a head has: lips, lids, wrinkles, freckles.
func (s *skin) face(m *material, spot, at raster.Vec, x, y float64) {
	t := s.freckles * rise(grain(spot.Times(1/2.6))+0.5*grain(spot.Times(1/1.3)), 0.28, 0.55) *
		(hump(x-24, 22)*hump(y-702, 17) + 0.35*hump(y-760, 26))
	m.albedo = m.albedo.by(colour{1, 1, 1}.mix(colour{0.62, 0.45, 0.33}, min(1, t)))
	// Around the eyes the skin is thin, and they lie deep.
	m.albedo = m.albedo.by(colour{1, 1, 1}.mix(colour{0.70, 0.58, 0.62}, 0.8*hump((x-30)/18, 1)*hump((y-722)/9, 1)))
	lid := hump(lidline(x, y), 1.5) * rise(x, 15, 19) * rise(-x, -50, -44)
	m.albedo = m.albedo.mix(colour{0.03, 0.02, 0.018}, (0.6+0.4*s.liner)*lid)
	s.wrinkle(m, x, y)
	if l := lips(x, y); l > 0 && at[2] > 138-x/3 {
		m.albedo = m.albedo.mix(s.lip.times(1+0.12*grain(raster.Vec{at[0] / 1.2, y / 8, 0})), s.lips*l)
		m.shine, m.gloss = 0.035, 30
	}
	seam := hump(y-660.5, 1.2) * rise(-x, -27, -22)
	m.albedo = m.albedo.times(1 - 0.75*seam)
	m.albedo = m.albedo.times(1 - 0.35*hump(x-8, 4)*hump(y-683, 2.5)) // nostrils
}

// lidline is how far, in millimetres, (x, y) is from the edge of the upper lid.
func lidline(x, y float64) float64 {
	u := (x - 31) / 13.5
	return y - (728 + 5.6*math.Sqrt(max(0, 1-u*u)))
}

// lips is 1 on the lips and 0 beside them.
func lips(x, y float64) float64 {
	if x > 26 {
		return 0
	}
	top := 660.5 + 11.2*math.Sqrt(1-math.Pow(x/26, 2)) - 2.2*hump(x, 4)
	bottom := 660.5 - 11.5*math.Sqrt(1-math.Pow(x/26, 2))
	return rise(top-y, -1, 0.8) * rise(y-bottom, -1, 1.2)
}

// wrinkle darkens and bends the skin along the lines that age draws.
func (s *skin) wrinkle(m *material, x, y float64) {
	if s.lines == 0 {
		return
	}
	h := s.height(x, y)
	const step = 0.8
	k := 0.9 * s.lines / step
	m.bump = raster.Vec{-k * (s.height(x+step, y) - h), -k * (s.height(x, y+step) - h), 0}
	m.albedo = m.albedo.times(1 + 0.55*s.lines*min(0, h))
}

// height is how deep a wrinkle is, 0 to about -1.
func (s *skin) height(x, y float64) (h float64) {
	h -= crease(x, y, 1.8, [2]float64{19, 692}, [2]float64{27, 680}, [2]float64{33, 664}, [2]float64{34, 652})
	h -= 0.6 * crease(x, y, 1.6, [2]float64{28, 655}, [2]float64{32, 645}, [2]float64{32, 634})
	h -= 0.6 * crease(x, y, 1.8, [2]float64{19, 721}, [2]float64{26, 714}, [2]float64{37, 712})
	h -= 0.6 * s.frown * crease(x, y, 1.5, [2]float64{5, 738}, [2]float64{6, 752})
	for _, end := range [][2]float64{{60, 738}, {62, 728}, {60, 717}} {
		h -= 0.25 * crease(x, y, 1, [2]float64{51, 728}, end)
	}
	for i, line := range []float64{763, 772, 781} {
		wave := line + 1.5*math.Cos(x/13+float64(i))
		h -= 0.5 * s.frown * hump(y-wave, 1.6) * rise(-x, -46, -30)
	}
	return max(h, -1)
}

// paint draws the brow over the skin.
func (b *brow) paint(m *material, at raster.Vec, x, y float64) {
	inner, outer := b.inner, b.outer
	if inner == 0 {
		inner = 14
	}
	if outer == 0 {
		outer = 50
	}
	u := (x - inner) / (outer - inner)
	if u < -0.15 || u > 1.1 || y < 730 || y > 775 {
		return
	}
	middle := 745 + b.raise + b.tilt*u + b.arch*(1-math.Pow((u-0.62)/0.62, 2))
	half := b.thick / 2 * mix(1, 0.35, rise(u, 0.45, 1.05))
	strand := grain(raster.Vec{at[0]/2.2 + y/5, y / 1.6, 3})
	edge := rise(half-math.Abs(y-middle)+0.8*strand, -0.9, 0.9)
	ends := rise(u, -0.12, 0.1) * rise(-u, -1.06, -0.88)
	m.albedo = m.albedo.mix(b.colour.times(1+0.3*strand), b.dense*edge*ends)
	m.shine *= 1 - 0.7*edge*ends
}

// eye is the material of an eyeball, from a place on the unshaped one.
func (s *skin) eye(at raster.Vec) material {
	m := material{albedo: colour{0.56, 0.51, 0.47}, shine: 0.02, gloss: 250, soft: colour{0.2, 0.15, 0.12}}
	x, y := math.Abs(at[0])-30.75, at[1]-728.4
	from := math.Hypot(x, y)
	m.albedo = m.albedo.mix(colour{0.45, 0.25, 0.22}, 0.5*rise(math.Abs(x), 8, 12))
	ray := 1 + 0.35*grain(raster.Vec{6 * math.Atan2(y, x), from / 3, 0})
	m.albedo = m.albedo.mix(s.iris.times(ray*mix(1.25, 0.8, rise(from, 3, 5.5))), rise(-from, -6.5, -6))
	m.albedo = m.albedo.mix(colour{0.01, 0.01, 0.01}, hump(from-6.1, 0.5)*0.7+rise(-from, -2.8, -2.2))
	if at[2] < 115 {
		m.albedo = colour{0.3, 0.1, 0.09}
	}
	m.albedo = m.albedo.times(mix(1, 0.55, rise(y, 1, 5.5))) // the lid's shadow
	return m
}

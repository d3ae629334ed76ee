package doorstep

import (
	"math"

	"lintel/internal/doorstep/body"
	"lintel/internal/doorstep/raster"
)

// A hair is how somebody's hair is cut and coloured. Places are those of the
// unshaped mesh, in millimetres.
type hair struct {
	colour colour
	grey   float64 // 0 to 1: how many strands have none of the colour
	line   float64 // mm, how far up the hairline has gone; below 0 it hangs into the forehead
	recede float64 // mm, how much further it has gone above the temples
	bald   float64 // 0 to 1: how bare the crown is

	top, sides, back float64 // mm, how far the hair stands off
	curl             float64 // 0 to 1: straight to tight curls
	part             float64 // mm to the right on the picture; 0 has none
	long             float64 // mm, down to which height hair hangs beside the neck; 0 where it does not
}

// A beard is hair on the face.
type beard struct {
	colour                 colour
	grey                   float64
	cheeks, chin, mustache float64 // mm, how far it stands off
}

// hairline is the height, in mm, above which hair grows, by the direction from the
// head's middle: 0 degrees in front, 180 behind.
var hairline = [][2]float64{{0, 791}, {22, 792}, {38, 783}, {48, 764}, {56, 744}, {63, 724}, {72, 712},
	{80, 722}, {88, 738}, {104, 736}, {118, 700}, {138, 664}, {180, 652}}

// grows is how far within the hair a place of the head is, in mm; below 0 outside.
func (h *hair) grows(at raster.Vec) float64 {
	angle := math.Atan2(math.Abs(at[0]), at[2]-30) * 180 / math.Pi
	line := hairline[len(hairline)-1][1]
	for i := range hairline[1:] {
		a, b := hairline[i], hairline[i+1]
		if angle < b[0] {
			line = mix(a[1], b[1], (angle-a[0])/(b[0]-a[0]))
			break
		}
	}
	line += h.line*rise(-angle, -66, -30) + h.recede*hump(angle-30, 13)
	bare := h.bald * (40 - math.Hypot(at[0]*0.8, at[2]-20) + 14*rise(at[1], 800, 835)) // of the crown
	if h.bald > 0 && at[1] > 790 {
		return min(at[1]-line, -bare)
	}
	return at[1] - line
}

// ear says whether a place of the mesh is on an ear, where no hair grows.
func ear(at raster.Vec) bool {
	return math.Abs(at[0]) > 69.5 && at[1] > 679 && at[1] < 737 && at[2] > 32 && at[2] < 69
}

// stands is how far the hair stands off a place of the head, in mm.
func (h *hair) stands(at raster.Vec) float64 {
	in := h.grows(at)
	length := mix(h.sides, h.back, rise(-at[2], -20, 30))
	length = mix(length, h.top, rise(at[1], 778, 818))
	if h.part != 0 {
		length *= 1 - 0.75*hump(at[0]-h.part, 5)*rise(at[2], -10, 30)
	}
	if h.curl > 0.4 {
		length *= 1 + 0.3*h.curl*patches(at, 16)
	}
	return length * rise(in, -3, min(14, 4+length*0.8))
}

// mostStrand is more than a strand is, up or down.
const mostStrand = 1.1

// strand is a noise along the hair, -1 to 1 and hardly more.
func (h *hair) strand(at raster.Vec) float64 {
	if h.curl > 0.4 {
		return mix(patches(at, 7), grain(at.Times(1/2.5)), 0.5)
	}
	// Straight hair runs down the sides and back from the forehead.
	around := math.Atan2(at[0]-h.part, at[2]-20) * 60
	bend := h.curl * 6 * math.Sin(at[1]/14+around/40)
	return 0.75*grain(raster.Vec{(around + bend) / 1.6, at[1] / 60, at[2] / 70}) +
		0.3*grain(raster.Vec{(around + bend) / 7, at[1] / 90, 9})
}

// paint colours the scalp where hair grows.
func (h *hair) paint(m *material, at raster.Vec) {
	if h.top+h.sides == 0 || ear(at) {
		return
	}
	grows := h.grows(at)
	if grows < -4*mostStrand {
		return
	}
	strand := h.strand(at)
	t := rise(grows+4*strand, 0, 5)
	m.albedo = m.albedo.mix(h.tint(strand, 0), 0.85*t)
}

// tint is a strand's colour at a height of 0, the root, to 1, the tip.
func (h *hair) tint(strand, up float64) colour {
	c := h.colour.mix(colour{0.42, 0.42, 0.43}, h.grey*rise(strand, -0.6, 0.5-0.9*h.grey))
	return c.times((0.55 + 0.45*up) * (1 + 0.45*strand))
}

// material is that of a strand.
func (h *hair) material(at raster.Vec, up float64) material {
	s := h.strand(at)
	m := material{albedo: h.tint(s, up), shine: 0.03, gloss: 12, soft: colour{0.2, 0.2, 0.2}}
	if h.curl > 0.4 {
		m.shine = 0.012
	}
	m.bump = raster.Vec{0.35 * s, 0.2 * grain(at.Times(1/3.0)), 0}
	return m
}

// area is how much of a beard grows at a place of the face: on cheeks and jaw, on
// the chin, above the lip; 0 to 1 each.
func area(at raster.Vec, x, y float64) (cheeks, chin, mustache float64) {
	if at[2] < 48 || y > 725 || lips(x, y) > 0.3 || inside(at, x) && x < 36 && y > 641 {
		return 0, 0, 0
	}
	upper := 666 + 1.15*max(0, x-30) + 10*rise(x, 55, 66)
	lower := rise(y+0.5*(at[2]-30), 622, 648)
	edge := rise(upper-y, -5, 6)
	below := rise(648-y, -2, 4)
	cheeks = edge * lower * rise(x, 25, 32)
	chin = below * lower * rise(-x, -34, -24)
	mustache = rise(-x, -33, -26) * rise(y, 660, 667) * rise(-y, -682+0.25*x, -676+0.3*x)
	return cheeks, chin, mustache
}

// stands is how far the beard stands off the face, in mm.
func (b *beard) stands(at raster.Vec) float64 {
	cheeks, chin, mustache := area(at, math.Abs(at[0]), at[1])
	return max(cheeks*b.cheeks*rise(at[2], 46, 85), chin*b.chin, mustache*b.mustache)
}

// paint colours the skin under a beard, or that of one that was shaved.
func (b *beard) paint(m *material, shaved float64, at raster.Vec, x, y float64) {
	if shaved+b.cheeks+b.chin+b.mustache == 0 {
		return
	}
	cheeks, chin, mustache := area(at, x, y)
	if cheeks+chin+mustache == 0 {
		return
	}
	spots := 0.75 + 0.5*grain(at.Times(1/1.1))
	shadow := shaved * max(0.8*cheeks, chin, mustache) * spots
	m.albedo = m.albedo.mix(colour{0.10, 0.10, 0.11}, min(0.8, shadow))
	full := max(cheeks*rise(b.cheeks, 0, 1), chin*rise(b.chin, 0, 1), mustache*rise(b.mustache, 0, 1))
	m.albedo = m.albedo.mix(b.shade(at, 0), 0.85*full*rise(spots, 0.3, 0.7))
}

func (b *beard) strand(at raster.Vec) float64 {
	return 0.6*grain(raster.Vec{at[0] / 1.8, at[1] / 5, at[2] / 3}) + 0.4*patches(at, 6)
}

func (b *beard) shade(at raster.Vec, up float64) colour {
	s := b.strand(at)
	c := b.colour.mix(colour{0.45, 0.45, 0.46}, b.grey*rise(s, -0.6, 0.5-0.9*b.grey))
	return c.times((0.6 + 0.4*up) * (1 + 0.4*s))
}

// grow adds hair and beard, in layers.
func (m *modeller) grow(skin [][4]int32, normals []raster.Vec, hat bool) {
	h := &m.who.hair
	for layer := range hairLayers {
		up := float64(layer+1) / hairLayers
		places, quads := m.raised(skin, normals, func(rest raster.Vec) float64 {
			if h.top+h.sides == 0 || ear(rest) {
				return 0
			}
			length := up * h.stands(rest)
			if hat && rest[1] > 770 {
				length = min(length, 4*up)
			}
			return length
		})
		m.add(hairSurface+layer, places, quads)
	}
	for layer := range beardLayers {
		up := float64(layer+1) / beardLayers
		places, quads := m.raised(skin, normals, func(rest raster.Vec) float64 { return up * m.who.beard.stands(rest) })
		m.add(beardSurface+layer, places, quads)
	}
	if h.long > 0 {
		m.curtain()
	}
}

// curtain adds the hair that hangs over the ears and behind the neck: a sheet that begins
// where the hair on the head ends, and falls from there.
func (m *modeller) curtain() {
	const columns, rows = 56, 14
	h := &m.who.hair
	skin := m.body.Parts["skin"].Quads
	normals := body.Normals(m.body.Points, skin)
	places := make([]raster.Vertex, 0, (columns+1)*(rows+1))
	for c := range columns + 1 {
		angle := mix(58, 302, float64(c)/columns) * math.Pi / 180
		sin, cos := math.Sincos(angle)
		crown := m.nearest(raster.Vec{76 * sin, 775, 20 + 92*cos})
		at := m.body.Points[crown].Add(normals[crown].Times(0.7 * h.stands(m.rest(int32(crown))) / 1000))
		scale := 0.001
		for r := range rows + 1 {
			down := mix(775, h.long-14, float64(r)/rows)
			out := 6*rise(-down, -770, -725) + h.sides*0.35 - 10*rise(-down, -690, -620)*math.Abs(sin)
			out += 26 * rise(-down, -610, -540) * -cos // over the shoulders
			drop := raster.Vec{out * sin, down - 775, out * cos}
			places = append(places, raster.Vertex{At: at.Add(drop.Times(scale)), Normal: raster.Vec{sin, 0.1, cos}.Unit(),
				Rest: raster.Vec{90 * sin, down, 20 + 90*cos}})
		}
	}
	first := int32(len(m.mesh.Vertices))
	for _, v := range places {
		m.vertex(v)
	}
	for c := range int32(columns) {
		for r := range int32(rows) {
			i := first + c*(rows+1) + r
			m.quad(longSurface, i, i+1, i+rows+2, i+rows+1)
		}
	}
}

// ends says where hanging hair has none.
func (h *hair) ends(at raster.Vec) bool {
	strand := h.strand(at)
	return at[1] < h.long+14*strand || strand < -0.75
}

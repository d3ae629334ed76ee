package liveness

import (
	"fmt"
	"math"
	"slices"

	"lintel/store"
)

// Ink and panels show fewer colours and less contrast than a doorstep has. The
// blackest ink still throws back about a hundredth to a fiftieth of the light,
// plain paper more (from memory), a panel in daylight throws back the sky, and
// all of that is added to everything on the picture: the pupils, nostrils and
// hair of a pictured face are grey where a person's are nearly black. The camera
// that took the picture, and the printer, have narrowed colours as well.
//
// Compared is the head with what is close about it, which on a picture is
// picture, and what is farther aside and above, which seldom is. Night and fog
// narrow both alike, so a narrow head before a narrow rest counts less. How
// narrow is common practice, no source.
//
// It assumes a head with something dark on it. Darker skin and hair make the
// measure smaller, never larger.
//
// Values: how bright the darkest fiftieth of the head is to the brightest, in
// linear light; the range of luma about the head to that of the rest; the same
// of colours.
var gamutSign = sign{
	code: Gamut,
	words: words{
		name: "Few colours and little contrast",
		says: func(f store.Finding) string {
			return fmt.Sprintf("Nothing on the face is darker than %.0f %% of the brightest on it, as on paper or a screen.", 100*f.Values[0])
		},
	},
	measure: measureGamut,
}

func measureGamut(v *view) store.Finding {
	z := v.comparedZones()
	if z.why != "" {
		return missing(z.why)
	}
	in, far := z.face.with(z.near), z.far
	black := in.light(0.02) / max(in.light(0.98), 1e-3)
	lumaRange := (in.luma(0.98) - in.luma(0.02)) / (far.luma(0.98) - far.luma(0.02) + 1)
	chromaRange := in.chroma(0.9) / (far.chroma(0.9) + 3)
	lifted := ramp(math.Log2(black+1e-4), math.Log2(0.06), math.Log2(0.15))
	narrow := max(ramp(-lumaRange, -1, -0.5), ramp(-chromaRange, -0.7, -0.4))
	found := store.Finding{
		Score:  lifted * (0.4 + 0.6*narrow),
		Values: []float64{black, lumaRange, chromaRange},
	}
	if found.Score > 0 {
		found.Region = v.around(nearAside, nearAbove, nearBelow)
	}
	return found
}

// around is a box about the face, so many spans from the middle of the eyes.
func (v *view) around(aside, above, below float64) []store.Point {
	return []store.Point{v.upright(-aside, -above), v.upright(aside, -above), v.upright(aside, below), v.upright(-aside, below)}
}

// A zone is a part of a still by what colours are in it.
type zone struct {
	lumas, chromas []float64  // sorted; 0 to 255, and the distance from grey in Cb and Cr
	mean           [3]float64 // linear red, green and blue, of what is not clipped
	whole          int        // pixels that are not
}

// What is compared, in eye spans from the middle of the eyes. A person's
// shoulders are in none, as they may be a picture's or whose hands hold it.
const (
	zoneSpan  = 6  // pixels of the patch
	zoneLeast = 20 // pixels that make a zone
	nearAside = 1.6
	nearAbove = 1.7
	nearBelow = 1.6
	farFrom   = 3.6 // aside or above
)

// zones are what is on the face, near it, and far from it, or why they can't be
// compared.
type zones struct {
	face, near, far *zone
	why             string
}

// comparedZones returns those of the view. Two signs ask for them.
func (v *view) comparedZones() zones {
	if v.zones == nil {
		z := zonesOf(v)
		v.zones = &z
	}
	return *v.zones
}

func zonesOf(v *view) zones {
	p, h, why := v.patchAndHead(zoneSpan, 9, 8, 10)
	if why != "" {
		return zones{why: why}
	}
	face, near, far := &zone{}, &zone{}, &zone{}
	for i := range p.y {
		right, down := h.upright(float64(i%p.w), float64(i/p.w))
		a, b := right/0.95, (down-0.45)/1.25 // as package quality draws a face
		switch {
		case a*a+b*b < 1:
			face.add(p, i)
		case math.Abs(right) < nearAside && -nearAbove < down && down < nearBelow:
			near.add(p, i)
		case math.Abs(right) > farFrom || down < -farFrom:
			far.add(p, i)
		}
	}
	for _, z := range []*zone{face, near, far} {
		z.close()
	}
	switch {
	case len(face.lumas) < zoneLeast || len(near.lumas) < zoneLeast:
		return zones{why: Border}
	case len(far.lumas) < zoneLeast:
		return zones{why: Plain}
	case face.luma(0.98) < 40:
		return zones{why: Dark}
	}
	return zones{face: face, near: near, far: far}
}

// add takes a pixel of a patch into the zone.
func (z *zone) add(p *patch, i int) {
	y, cb, cr := float64(p.y[i]), float64(p.cb[i]), float64(p.cr[i])
	z.lumas = append(z.lumas, y)
	z.chromas = append(z.chromas, math.Hypot(cb, cr))
	rgb := [3]float64{y + 1.402*cr, y - 0.344136*cb - 0.714136*cr, y + 1.772*cb} // JFIF 1.02
	if max(rgb[0], rgb[1], rgb[2]) > 250 {
		return
	}
	z.whole++
	for c, v := range rgb {
		z.mean[c] += linear[int(max(v, 0))]
	}
}

func (z *zone) close() {
	slices.Sort(z.lumas)
	slices.Sort(z.chromas)
	for c := range z.mean {
		z.mean[c] /= max(float64(z.whole), 1)
	}
}

// with is both zones together, without their means.
func (z *zone) with(o *zone) *zone {
	both := &zone{lumas: slices.Concat(z.lumas, o.lumas), chromas: slices.Concat(z.chromas, o.chromas)}
	slices.Sort(both.lumas)
	slices.Sort(both.chromas)
	return both
}

// luma returns what a part q of the zone is darker than, light the same in
// linear light, and chroma what it is less colourful than.
func (z *zone) luma(q float64) float64   { return quantile(z.lumas, q) }
func (z *zone) light(q float64) float64  { return linear[int(z.luma(q))] }
func (z *zone) chroma(q float64) float64 { return quantile(z.chromas, q) }

func quantile(sorted []float64, q float64) float64 {
	return sorted[min(int(q*float64(len(sorted))), len(sorted)-1)]
}

// linear undoes the transfer function of sRGB, IEC 61966-2-1.
var linear = func() (table [256]float64) {
	for i := range table {
		c := float64(i) / 255
		if c <= 0.04045 {
			table[i] = c / 12.92
		} else {
			table[i] = math.Pow((c+0.055)/1.055, 2.4)
		}
	}
	return table
}()

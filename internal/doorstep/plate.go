package doorstep

import (
	"math"
	"sync"
	"time"

	"lintel/internal/doorstep/raster"
)

// A plate is the stage in one light, with nobody on it.
type plate struct {
	stage  *stage
	day    day
	disc   [discN]raster.Vec // places of the sun's disc
	pixels []float32         // red, green, blue
	sunlit []uint8           // how much of a pixel's light is the sun's, which a visitor may take away
}

// A moment is all that a plate depends on. Clouds and shadows stand still for five minutes.
type moment struct {
	door    Door
	weather Sky
	minutes int64
	zone    int
}

const standing = 5 * time.Minute

// plates are the last few, as the scenes of one ring share theirs.
var plates struct {
	sync.Mutex
	kept []kept // the last used at the end
}

type kept struct {
	moment
	plate func() *plate
}

const mostPlates = 2 // of 17 MB each

func plateOf(s Scene) *plate {
	at := s.At.Truncate(standing)
	_, zone := at.Zone()
	m := moment{s.Door, s.Sky, at.Unix() / 60, zone}
	plates.Lock()
	var found kept
	for i, k := range plates.kept {
		if k.moment == m {
			found = k
			plates.kept = append(plates.kept[:i], plates.kept[i+1:]...)
			break
		}
	}
	if found.plate == nil {
		found = kept{m, sync.OnceValue(func() *plate { return newPlate(s.Door, s.Sky, at) })}
	}
	plates.kept = append(plates.kept, found)
	if len(plates.kept) > mostPlates {
		plates.kept = append(plates.kept[:0], plates.kept[1:]...)
	}
	plates.Unlock()
	return found.plate()
}

func newPlate(d Door, weather Sky, at time.Time) *plate {
	p := &plate{stage: stages[d](), day: newDay(sunBefore(d, at), weather, at)}
	p.disc = discOf(p.day.sun.toward)
	p.pixels, p.sunlit = make([]float32, 3*Width*Height), make([]uint8, Width*Height)
	sky := newGrid(8, func(x, y int) colour { return p.day.toward(ray(float64(x), float64(y))) })
	sunny := newGrid(4, p.sunny)
	rows(Height, func(y int) {
		var f facet
		for x := range Width {
			i := y*Width + x
			if normal := p.stage.spots[i].facing(); normal != f.normal || x == 0 {
				f = p.facet(normal) // most faces are more than a pixel wide
			}
			c, sunlit := p.pixel(x, y, &f, &sky, &sunny)
			p.sunlit[i] = uint8(255 * sunlit)
			for k := range 3 {
				p.pixels[3*i+k] = float32(c[k])
			}
		}
	})
	return p
}

// sunny is how much of the sun what a pixel shows has, 0 to 1.
func (p *plate) sunny(x, y int) float64 {
	spot := p.stage.spot(x, y)
	normal := spot.facing()
	if spot.solid == 0 || p.day.sun.of == (colour{}) || normal.Dot(p.day.sun.toward) <= 0 {
		return 0
	}
	return p.open(ray(float64(x), float64(y)).Times(float64(spot.far)).Add(normal.Times(0.02)))
}

// discN are the rays to the sun's disc.
const discN = 4

// discOf are places of the sun's disc. As leaves move, it is taken a little large.
func discOf(toward raster.Vec) (ways [discN]raster.Vec) {
	for i := range ways {
		ways[i] = toward.Add(around(toward, i, discN).Times(0.012)).Unit()
	}
	return ways
}

// open is how much of the sun's disc is seen from a place.
func (p *plate) open(at raster.Vec) float64 {
	open, before := 0.0, 0
	for i := range p.disc {
		if before = blocked(p.stage.casts, &at, &p.disc[i], before); before < 0 {
			open++
			before = 0
		}
	}
	return open / discN
}

// blocked is which of the casts stands before a place, -1 where none does. It looks at the one that may
// first: what blocks one ray often blocks the next.
func blocked(casts []solid, at, way *raster.Vec, may int) int {
	for i := range casts {
		if i == 0 {
			i = may
		} else if i <= may {
			i--
		}
		if casts[i].off(at, way) {
			continue
		}
		if _, _, hit := casts[i].shape.hit(*at, *way, 0); hit {
			return i
		}
	}
	return -1
}

// pixel is a pixel's colour and how much of it is the sun's.
func (p *plate) pixel(x, y int, f *facet, sky *grid[colour], sunny *grid[float64]) (c colour, sunlit float64) {
	spot := &p.stage.spots[y*Width+x]
	if spot.solid < 255 {
		values, shares := sky.corners(x, y)
		for i, v := range values {
			c = c.plus(v.times(shares[i]))
		}
	}
	if spot.solid == 0 {
		return c, 0
	}
	way := ray(float64(x), float64(y))
	g := place{way.Times(float64(spot.far)), f, spot.colour(), float64(spot.open) / 255, float64(spot.shines) / 255}
	lit := p.besides(&g)
	if c := p.bySun(&g); c != (colour{}) {
		c = c.times(p.stage.between(sunny, x, y))
		lit = lit.plus(c)
		sunlit = min(c.luminance()/max(lit.luminance(), 1e-9), 1)
	}
	if p.day.weather == Rain {
		lit = p.wet(&g, way, lit)
	}
	// Far things fade into the air.
	lit = lit.mix(p.day.horizon, float64(spot.far)/(float64(spot.far)+400))
	return c.mix(lit, float64(spot.solid)/255), sunlit
}

// place is a place of the stage.
type place struct {
	at           raster.Vec
	faces        *facet
	own          colour
	open, shines float64
}

// A facet is what falls on all that faces one way, wherever it is.
type facet struct {
	normal         raster.Vec
	sky            colour // where all of it is open
	ground, street colour // what the ground sends back of the sun, and what comes from the street's lamps
	sun            float64
}

func (p *plate) facet(normal raster.Vec) facet {
	f := facet{normal: normal, sky: p.day.from(normal), sun: max(0, normal.Dot(p.day.sun.toward))}
	if p.day.sun.of != (colour{}) {
		f.ground = p.day.sun.of.times(0.05 * p.day.sun.toward[1] * (1 - 0.6*normal[1]))
	}
	if p.day.lamps > 0 {
		f.street = street.times(p.day.lamps * (0.5 + 0.5*normal[1]))
	}
	return f
}

func (p *plate) bySun(g *place) colour {
	if p.day.sun.of == (colour{}) {
		return colour{}
	}
	return g.own.by(p.day.sun.of).times(g.faces.sun)
}

// besides is what is seen of a place by all other light.
func (p *plate) besides(g *place) colour {
	all := g.faces.sky.times(g.open)
	// What comes back from all that stands around, and from the ground in the sun.
	all = all.plus(p.day.half.times(0.10 * (1 - 0.7*g.open)))
	all = all.plus(g.faces.ground)
	if p.day.lamps > 0 {
		b := p.lamp().beam(g.at)
		all = all.plus(b.of.times(max(0, g.faces.normal.Dot(b.toward))))
		all = all.plus(g.faces.street)
	}
	return g.own.by(all).plus(windows.times(g.shines * p.day.lamps))
}

var (
	street  = colour{0.0040, 0.0027, 0.0017} // of the street's lamps
	windows = colour{0.0062, 0.0038, 0.0018} // what shines through a curtain
	bulb    = colour{0.0140, 0.0110, 0.0080} // a warm lamp over a door, at a metre
)

func (p *plate) lamp() lamp {
	return lamp{lampAt[p.stage.door], bulb.times(p.day.lamps)}
}

// wet has the ground darker and, in puddles, the sky on it.
func (p *plate) wet(g *place, way raster.Vec, lit colour) colour {
	if g.faces.normal[1] < 0.7 || g.at[1] > ground+0.3 || g.open < 0.15 || g.own[1] > 1.15*g.own[0] {
		return lit.times(0.9) // walls, what is under a roof, and grass
	}
	water := rise(clouds(g.at.Times(1.7), 4), 0.35, 0.65)
	up := raster.Vec{way[0], -way[1], way[2]}
	mirror := 0.02 + 0.98*math.Pow(1-up[1], 5) // Schlick's approximation of Fresnel's formulas, for water
	return lit.times(0.55).plus(p.day.toward(up).times(mirror * (0.25 + 0.75*water) * g.open))
}

// lightAt is what falls on a visitor at a place: the plate's light, and what the
// stage sends back.
func (p *plate) lightAt(at raster.Vec) *light {
	l := &light{lamp: p.lamp(), sun: p.day.sun}
	l.sun.of = l.sun.of.times(p.open(at))
	const n = 48
	for side := range l.around {
		normal := raster.Vec{}
		normal[side/2] = 1 - 2*float64(side%2)
		for i := range n {
			l.around[side] = l.around[side].plus(p.seen(at, around(normal, i, n)).times(1. / n))
		}
	}
	// Most of what comes from above comes from one side, so that brows and noses have their shadows.
	above := &l.around[2]
	l.sky = beam{overEaves, above.times(fromSky)}
	*above = above.times(1 - fromSky)
	// Path, walls and ceiling send light back more than once.
	l.flood(fromWalls, above.times(again))
	// Haze and thin clouds spread the sun, most of all a low one; the lamp's shade is frosted, and most of its light
	// comes by way of the wall behind it and the porch's ceiling.
	hazed := mix(hazyLow, hazy, rise(l.sun.toward[1], 0.1, 0.7))
	l.flood(l.sun.toward, l.sun.of.times(hazed))
	l.sun.of = l.sun.of.times(1 - hazed)
	l.flood(fromWalls, l.lamp.beam(at).of.times(byWall))
	l.lamp.of = l.lamp.of.times(1 - byWall)
	return l
}

// overEaves is where the household's own house leaves the sky open before a visitor's face; fromSky is which
// share of the light from above comes from there: by eye, no source.
var overEaves = raster.Vec{0.25, 0.75, -0.65}.Unit()

// fromWalls is where most of the light comes from that the porch sends back.
var fromWalls = raster.Vec{0.1, 0.35, -0.93}.Unit()

const (
	fromSky = 0.4
	again   = 0.46 // share of the light from above that comes by way of them: by eye, no source
	byWall  = 0.9  // share of the lamp's light on a visitor that walls and ceiling send: by eye, no source
	hazy    = 0.5  // share of a high sun's light on a visitor that comes from all about it: by eye, no source
	hazyLow = 0.8  // of a low one's
)

// seen is the light that comes from a direction.
func (p *plate) seen(at, way raster.Vec) colour {
	thing, far, normal := first(p.stage.solids, at, way, 0)
	if thing == nil {
		return p.day.toward(way)
	}
	f := p.facet(normal)
	g := place{at: at.Add(way.Times(far)), faces: &f, open: 0.7}
	g.own, g.shines = thing.matter(g.at, normal)
	c := p.besides(&g)
	if sun := p.bySun(&g); sun != (colour{}) {
		if off := g.at.Add(normal.Times(0.02)); blocked(p.stage.casts, &off, &p.day.sun.toward, 0) < 0 {
			c = c.plus(sun)
		}
	}
	return c
}

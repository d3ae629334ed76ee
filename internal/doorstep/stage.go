package doorstep

import (
	"math"
	"runtime"
	"sync"

	"lintel/internal/doorstep/raster"
)

// A stage is what the lens sees of a door when nobody is there, without light.
type stage struct {
	door   Door
	solids []solid
	casts  []solid // those whose shadows matter
	spots  []spot  // Width times Height
}

// A spot is what a pixel shows of the stage.
type spot struct {
	far    float32  // metres from the lens
	own    [3]uint8 // the colour's square root
	normal [3]int8
	open   uint8 // how much of the sky above is not hidden by what stands around
	solid  uint8 // how much of the pixel is not sky
	shines uint8
}

var stages = [...]func() *stage{
	Front:  sync.OnceValue(func() *stage { return newStage(Front) }),
	Garden: sync.OnceValue(func() *stage { return newStage(Garden) }),
}

const (
	tile    = 32 // pixels, for which one list of near solids is made
	coarse  = 16 // pixels, over which it is worked out how much sky is above
	aroundN = 10 // rays that look for the sky above
)

func newStage(d Door) *stage {
	s := &stage{door: d, spots: make([]spot, Width*Height)}
	for _, thing := range things(d) {
		whole := solid{thing, thing.shape.round()}
		s.solids = append(s.solids, whole)
		if thing.casts {
			s.casts = append(s.casts, whole)
		}
	}
	rows(Height/tile, func(row int) {
		for x := 0; x < Width; x += tile {
			s.look(x, row*tile)
		}
	})
	open := newGrid(coarse, func(x, y int) float64 {
		spot := s.spot(x, y)
		if spot.solid == 0 {
			return 1
		}
		return s.openAbove(ray(float64(x), float64(y)).Times(float64(spot.far)), spot.facing())
	})
	rows(Height, func(y int) {
		for x := range Width {
			s.spots[y*Width+x].open = uint8(255 * s.between(&open, x, y))
		}
	})
	return s
}

// spot is that of a pixel, or of the nearest on the still.
func (s *stage) spot(x, y int) *spot {
	return &s.spots[min(y, Height-1)*Width+min(x, Width-1)]
}

// rows does something for n rows, each once, on all processors.
func rows(n int, do func(row int)) {
	var wait sync.WaitGroup
	workers := min(runtime.GOMAXPROCS(0), n)
	for w := range workers {
		wait.Go(func() {
			for row := w; row < n; row += workers {
				do(row)
			}
		})
	}
	wait.Wait()
}

// look fills a tile's spots: first by one ray for each pixel and for those about the tile, then by four, which
// only have to look for other things where the pixels about have some.
func (s *stage) look(left, top int) {
	near := s.within(left, top)
	var things [tile + 2][tile + 2]*solid
	for y := range things {
		for x := range things[y] {
			things[y][x], _, _ = first(near, raster.Vec{}, ray(float64(left+x-1), float64(top+y-1)), 0)
		}
	}
	for y := range tile {
		for x := range tile {
			here := things[y+1][x+1]
			may := near
			if here == things[y][x+1] && here == things[y+2][x+1] && here == things[y+1][x] && here == things[y+1][x+2] {
				if may = nil; here != nil {
					may = []solid{*here}
				}
			}
			s.spot(left+x, top+y).sample(may, float64(left+x), float64(top+y))
		}
	}
}

// within lists the solids that a tile may show.
func (s *stage) within(left, top int) (near []solid) {
	low, high := raster.Vec{1, 1, 1}, raster.Vec{-1, -1, -1}
	// Directions change evenly over so small a tile: its border has the extremes, but for the axis's own.
	for i := -1; i <= tile; i++ {
		for _, at := range [4][2]int{{i, -1}, {i, tile}, {-1, i}, {tile, i}} {
			v := ray(float64(left+at[0]), float64(top+at[1]))
			for k := range 3 {
				low[k], high[k] = min(low[k], v[k]-1e-3), max(high[k], v[k]+1e-3)
			}
		}
	}
	for _, thing := range s.solids {
		if !thing.shape.misses(low, high) {
			near = append(near, thing)
		}
	}
	return near
}

// first is what a ray meets first of some solids.
func first(things []solid, origin, way raster.Vec, from float64) (thing *solid, far float64, normal raster.Vec) {
	far = math.Inf(1)
	for i := range things {
		if t, n, ok := things[i].shape.hit(origin, way, from); ok && t < far {
			thing, far, normal = &things[i], t, n
		}
	}
	return thing, far, normal
}

// sample looks through some places of a pixel: more where it may show several things.
func (s *spot) sample(near []solid, x, y float64) {
	offs := [...][2]float64{{-0.125, -0.375}, {0.125, 0.375}, {0.375, -0.125}, {-0.375, 0.125}}
	rays := len(offs)
	if len(near) < 2 {
		rays = 2
	}
	var own colour
	var shines, hits float64
	for _, off := range offs[:rays] {
		way := ray(x+off[0], y+off[1])
		thing, far, normal := first(near, raster.Vec{}, way, 0)
		if thing == nil {
			continue
		}
		c, l := thing.matter(way.Times(far), normal)
		own, shines, hits = own.plus(c), shines+l, hits+1
		if hits == 1 {
			s.far = float32(far)
			for k := range 3 {
				s.normal[k] = int8(math.Round(127 * normal[k]))
			}
		}
	}
	if hits > 0 {
		s.solid, s.shines = uint8(255*hits/float64(rays)), uint8(255*shines/hits)
		for k := range 3 {
			s.own[k] = uint8(255*math.Sqrt(min(own[k]/hits, 1)) + 0.5)
		}
	}
}

func (s *spot) facing() raster.Vec {
	return raster.Vec{float64(s.normal[0]), float64(s.normal[1]), float64(s.normal[2])}.Times(1. / 127)
}

func (s *spot) colour() (c colour) {
	for k := range 3 {
		root := float64(s.own[k]) / 255
		c[k] = root * root
	}
	return c
}

// openAbove is how much of what a surface faces is open, 0 to 1.
func (s *stage) openAbove(at, normal raster.Vec) float64 {
	open := 0.0
	at = at.Add(normal.Times(0.02))
	for i := range aroundN {
		way := around(normal, i, aroundN)
		if far := s.clear(at, way); far > reach {
			open++
		} else {
			open += 0.5 * rise(far, 0.5, reach)
		}
	}
	return open / aroundN
}

const reach = 9.0 // metres, beyond which nothing is in the way of the sky

// clear is how far a ray goes before it meets something, as far as reach.
func (s *stage) clear(from, way raster.Vec) float64 {
	least := math.Inf(1)
	for i := range s.solids {
		thing := &s.solids[i]
		if thing.off(&from, &way) || thing.middle.Sub(from).Len() > reach+thing.radius {
			continue
		}
		if far, _, hit := thing.shape.hit(from, way, 0); hit {
			least = min(least, far)
		}
	}
	return least
}

// around is the i-th of n directions about a normal, more of them near it, as a matt surface sees. They
// spiral by the golden angle.
func around(normal raster.Vec, i, n int) raster.Vec {
	out := math.Sqrt((float64(i) + 0.5) / float64(n))
	sin, cos := math.Sincos(float64(i) * 2.399963)
	side := raster.Vec{0, 0, 1}
	if math.Abs(normal[2]) > 0.7 {
		side = raster.Vec{1, 0, 0}
	}
	u := side.Cross(normal).Unit()
	v := normal.Cross(u)
	return u.Times(out * cos).Add(v.Times(out * sin)).Add(normal.Times(math.Sqrt(1 - out*out)))
}

package doorstep

import (
	"math"
	"math/rand/v2"
	"slices"
)

const (
	streaks = 500
	drops   = 9
)

// rain falls between the stage and visitors, in the horizon's light, where no roof is.
func (p *plate) rain(r *rand.Rand, light []float32) {
	bright := p.day.horizon.plus(p.lamp().of.times(0.1))
	for range streaks {
		x, y := r.Float64()*Width, r.Float64()*Height
		length, slant, thick := 12+30*r.Float64(), 0.04*r.NormFloat64(), 0.05+0.1*r.Float64()
		for step := range int(length) {
			px, py := int(x+slant*float64(step)), int(y)+step
			if px < 0 || px >= Width || py >= Height || p.stage.spot(px, py).solid > 0 && p.stage.spot(px, py).far < 2.5 {
				continue
			}
			k := float32(thick * math.Sin(math.Pi*float64(step)/length))
			for c := range 3 {
				at := &light[3*(py*Width+px)+c]
				*at += k * (float32(1.3*bright[c]) - *at)
			}
		}
	}
}

// wetten puts drops on the lens: each shows the picture small and upside down.
func wetten(r *rand.Rand, light []float32) {
	was := append([]float32(nil), light...)
	for range drops {
		x, y, radius := r.IntN(Width), r.IntN(Height), 7+r.IntN(16)
		for dy := -radius; dy <= radius; dy++ {
			for dx := -radius; dx <= radius; dx++ {
				px, py := x+dx, y+dy
				away := math.Hypot(float64(dx), float64(dy)) / float64(radius)
				if away > 1 || px < 0 || px >= Width || py < 0 || py >= Height {
					continue
				}
				from := min(max(y-7*dy, 0), Height-1)*Width + min(max(x-7*dx, 0), Width-1)
				k := float32(0.85 * rise(away, 1, 0.7))
				for c := range 3 {
					at := &light[3*(py*Width+px)+c]
					*at += k * (was[3*from+c] - *at)
				}
			}
		}
	}
}

// cover puts a finger, a leaf or a strip of something over a share of the lens, from one
// side: so near that its edge is soft. A little red comes through it.
func (s Scene) cover(light []float32) {
	if s.Covered <= 0 {
		return
	}
	sin, cos := math.Sincos(2 * math.Pi * rand.New(rand.NewPCG(s.Seed, 1)).Float64())
	along := func(x, y int) float64 { // towards where it comes from, with a wavy edge
		u, v := (float64(x)-middleX)/middleX, (float64(y)-middleY)/middleY
		return u*cos + v*sin + 0.1*math.Sin(3*(v*cos-u*sin))
	}
	mean := float32(0)
	for i := 0; i < len(light); i += 97 {
		mean += light[i] * 97 / float32(len(light))
	}
	through := [3]float32{0.05 * mean, 0.018 * mean, 0.012 * mean}
	line := s.coverLine(along)
	rows(Height, func(y int) {
		for x := range Width {
			k := float32(rise(along(x, y), line-coverSoft, line+coverSoft))
			for c := range 3 {
				at := &light[3*(y*Width+x)+c]
				*at += k * (through[c] - *at)
			}
		}
	})
}

const coverSoft = 0.2 // half of its edge, in halves of the still's width

// coverLine is how far along the edge lies, so that the share of pixels beyond it is right.
func (s Scene) coverLine(along func(x, y int) float64) float64 {
	var all []float64
	for y := 0; y < Height; y += 32 {
		for x := 0; x < Width; x += 32 {
			all = append(all, along(x, y))
		}
	}
	slices.Sort(all)
	covered := min(s.Covered, 1)
	return all[int((1-covered)*float64(len(all)-1))] + coverSoft*(1-2*covered)
}

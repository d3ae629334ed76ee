package doorstep

// A grid holds values for every few pixels of a still.
type grid[T any] struct {
	step  int
	width int
	at    []T
}

// newGrid asks for the value at every step-th pixel, some of which lie beyond the still's right and lower border.
func newGrid[T any](step int, value func(x, y int) T) grid[T] {
	g := grid[T]{step: step, width: Width/step + 2}
	height := Height/step + 2
	g.at = make([]T, g.width*height)
	rows(height, func(row int) {
		for x := range g.width {
			g.at[row*g.width+x] = value(x*step, row*step)
		}
	})
	return g
}

// corners are the four values about a pixel and their shares.
func (g *grid[T]) corners(x, y int) (values [4]T, shares [4]float64) {
	i := y/g.step*g.width + x/g.step
	u, v := float64(x%g.step)/float64(g.step), float64(y%g.step)/float64(g.step)
	return [4]T{g.at[i], g.at[i+1], g.at[i+g.width], g.at[i+g.width+1]},
		[4]float64{(1 - u) * (1 - v), u * (1 - v), (1 - u) * v, u * v}
}

// between is a grid's value at a spot of the stage, made from those about it that are
// on the same face of the same thing, as well as one can tell.
func (s *stage) between(g *grid[float64], x, y int) float64 {
	values, shares := g.corners(x, y)
	here := s.spot(x, y)
	sum, whole := 0.0, 1e-9
	left, top := x-x%g.step, y-y%g.step
	for i, v := range values {
		there := s.spot(left+i%2*g.step, top+i/2*g.step)
		k := shares[i] + 1e-4
		if there.solid == 0 || abs(there.far-here.far) > 0.08*here.far || there.turned(here) {
			k *= 1e-3
		}
		sum += k * v
		whole += k
	}
	return sum / whole
}

func abs(v float32) float32 { return max(v, -v) }

// turned says whether two spots face much differently.
func (s *spot) turned(t *spot) bool {
	sum := 0
	for k := range 3 {
		sum += int(s.normal[k]) * int(t.normal[k])
	}
	return sum < 127*127*7/10
}

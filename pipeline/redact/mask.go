package redact

import (
	"fmt"
	"image"
	"math"
	"slices"

	"lintel/internal/house"
)

// Reach is how many pixels beyond a mask are black as well, on each side: the
// width of a coded block of the usual stills, whose colours are halved both
// ways. A block that shows a part of what is masked reaches no further, and
// that is so wherever the blocks lay when the bell coded the still, which may
// have been turned since. Where a still's own blocks are larger, so is the
// reach: 32 pixels to each side where the colours are quartered.
const Reach = 16

// Mask returns the still with all that the masks cover, even in part, black.
// The errors are [ErrNotAStill] and, if one of the masks is bad,
// [house.ErrBadMask]; then there is no still that might be taken for masked.
func Mask(still []byte, masks []house.Polygon) ([]byte, error) {
	if len(masks) == 0 {
		return still, nil
	}
	if _, _, err := header(still); err != nil {
		return nil, fmt.Errorf("masking: %w", err)
	}
	defer turn(still)()
	m, err := decode(still)
	if err != nil {
		return nil, fmt.Errorf("masking: %w", err)
	}
	if err := blacken(m, masks); err != nil {
		return nil, fmt.Errorf("masking: %w", err)
	}
	return Encode(m)
}

// MaskImage is [Mask] for a still that is decoded already, to an *image.YCbCr
// or *image.Gray whose bounds begin at (0, 0). It returns a masked copy, for
// [Encode] and for searching, or m itself where there are no masks.
func MaskImage(m image.Image, masks []house.Polygon) (image.Image, error) {
	if len(masks) == 0 {
		return m, nil
	}
	c, err := copied(m)
	if err != nil {
		return nil, fmt.Errorf("masking: %w", err)
	}
	if err := blacken(c, masks); err != nil {
		return nil, fmt.Errorf("masking: %w", err)
	}
	return c, nil
}

// blacken makes all within reach of the masks black, in place.
func blacken(m image.Image, masks []house.Polygon) error {
	if err := house.CheckMasks(masks); err != nil {
		return err
	}
	planes, err := planes(m)
	if err != nil {
		return err
	}
	size, reach := m.Bounds().Max, block(planes)
	reach.X, reach.Y = max(reach.X, Reach), max(reach.Y, Reach)
	var outlines []outline
	for _, p := range masks {
		outlines = append(outlines, outlineOn(p, size))
	}
	// lowest is, for each column, the lowest row so far in which a mask comes
	// within reach of it from the side. Rows are looked at as far ahead of
	// where the painting is as the reach is.
	lowest := slices.Repeat([]int{math.MinInt}, size.X)
	for ahead := range size.Y + reach.Y {
		if ahead < size.Y {
			for _, o := range outlines {
				for _, s := range o.touched(ahead) {
					for x := max(s.from-reach.X, 0); x < min(s.to+reach.X, size.X); x++ {
						lowest[x] = ahead
					}
				}
			}
		}
		if y := ahead - reach.Y; y >= 0 {
			blackenRow(planes, y, lowest, y-reach.Y)
		}
	}
	return nil
}

// blackenRow makes those pixels of row y black whose column has at least the
// value least. Colour samples go wherever they are a black pixel's.
func blackenRow(planes []plane, y int, columns []int, least int) {
	for x := 0; x < len(columns); x++ {
		from := x
		for x < len(columns) && columns[x] >= least {
			x++
		}
		if from == x {
			continue
		}
		for _, p := range planes {
			r := cover(image.Rect(from, y, x, y+1), p.pixels)
			row := p.row(r.Min.Y, r.Min.X, r.Max.X)
			for i := range row {
				row[i] = p.black
			}
		}
	}
}

// An outline is a mask's, in pixels of one still.
type outline []house.Point

func outlineOn(p house.Polygon, size image.Point) outline {
	o := make(outline, len(p))
	for i, q := range p {
		o[i] = house.Point{X: q.X * float64(size.X), Y: q.Y * float64(size.Y)}
	}
	return o
}

// A span is a run of pixels of one row, without the last.
type span struct{ from, to int }

// touched returns the pixels of a row that the mask covers in part or whole:
// those that a side of it passes through, and those whose middle it contains.
// Spans may overlap and reach beyond the still.
func (o outline) touched(row int) []span {
	var spans []span
	var crossings []float64
	top, middle, bottom := float64(row), float64(row)+0.5, float64(row)+1
	for i, a := range o {
		b := o[(i+1)%len(o)]
		if a.Y > b.Y {
			a, b = b, a
		}
		if b.Y < top || a.Y > bottom {
			continue
		}
		x0, x1 := a.X, b.X
		if a.Y < b.Y {
			x0, x1 = atHeight(a, b, max(a.Y, top)), atHeight(a, b, min(b.Y, bottom))
		}
		spans = append(spans, spanOf(min(x0, x1), max(x0, x1)))
		if a.Y <= middle && middle < b.Y {
			crossings = append(crossings, atHeight(a, b, middle))
		}
	}
	slices.Sort(crossings)
	for pair := range slices.Chunk(crossings, 2) {
		spans = append(spans, spanOf(pair[0], pair[1])) // an outline is closed: there are always two
	}
	return spans
}

func spanOf(from, to float64) span { return span{int(math.Floor(from)), int(math.Floor(to)) + 1} }

// atHeight returns where the line from a to b is at height y, between the two.
func atHeight(a, b house.Point, y float64) float64 {
	return a.X + (b.X-a.X)*((y-a.Y)/(b.Y-a.Y))
}

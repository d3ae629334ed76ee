package house

import (
	"cmp"
	"errors"
	"image"
	"math"
	"math/big"
)

// Bounds on masks.
const (
	MaxMasks      = 16  // of one bell
	MaxMaskPoints = 100 // of one outline

	// minMaskArea is a millionth of the still, about one pixel of a bell's
	// 1280 x 1024: less is a slip of the finger.
	minMaskArea = 1e-6
)

// ErrBadMask says that an outline can't be a mask. The errors of
// [Polygon.Check] and [CheckMasks] are each a [Fault] that says what is wrong.
var ErrBadMask = errors.New("this mask can't be used")

// A Polygon is the outline of a privacy mask: its corners in order, either way
// round, the last joined to the first. They are in fractions of the still's
// width and height, 0 to 1 each from the left upper corner, so that the mask
// holds for a still of any resolution.
type Polygon []Point

// CheckMasks checks all masks of a bell. None is fine. The error is ErrBadMask
// if there are more than [MaxMasks] or if one is bad.
func CheckMasks(masks []Polygon) error {
	if len(masks) > MaxMasks {
		return fault(ErrBadMask, "masks-many", "Most", MaxMasks, "Of", len(masks))
	}
	for i, p := range masks {
		if err := p.Check(); err != nil {
			return FaultIn{"mask", i + 1, err}
		}
	}
	return nil
}

// Check returns nil if p is the outline of one simple polygon on the still: 3
// to [MaxMaskPoints] points within 0 to 1, an area of at least a millionth of
// the still, and sides that meet only where one ends and the next begins.
// Otherwise the error is ErrBadMask.
//
// Sides that only touch are refused like those that cross. Where an outline
// touches itself, a change in the last digit of one number makes it cross or
// part, so that whether a place is masked would hang on rounding; and whoever
// drew it meant something else. For the same reason the test for crossing is
// exact: no two sides cross by one machine's arithmetic and not by another's.
func (p Polygon) Check() error {
	if len(p) < 3 {
		return fault(ErrBadMask, "corners-few", "Count", len(p))
	}
	if len(p) > MaxMaskPoints {
		return fault(ErrBadMask, "corners-many", "Most", MaxMaskPoints, "Of", len(p))
	}
	for i, q := range p {
		if !(q.X >= 0 && q.X <= 1 && q.Y >= 0 && q.Y <= 1) { // written so that NaN is outside
			return fault(ErrBadMask, "corner-outside", "Corner", i+1, "X", q.X, "Y", q.Y)
		}
	}
	if i, j, found := p.repeated(); found {
		return fault(ErrBadMask, "corners-same", "Corner", i+1, "Other", j+1)
	}
	if i, j, found := p.crossing(); found {
		return fault(ErrBadMask, "sides-cross", "From", i+1, "To", p.next(i)+1, "OtherFrom", j+1, "OtherTo",
			p.next(j)+1)
	}
	if p.area() < minMaskArea {
		return fault(ErrBadMask, "mask-tiny")
	}
	return nil
}

// Contains reports whether the place at x and y, in fractions of the still's
// width and height, lies within the outline. A place on the outline itself may
// be on either side of it.
func (p Polygon) Contains(x, y float64) bool {
	// Even-odd: a ray to the right leaves the polygon once more than it enters.
	inside := false
	for i, a := range p {
		b := p[p.next(i)]
		if (a.Y > y) != (b.Y > y) && x < a.X+(b.X-a.X)*((y-a.Y)/(b.Y-a.Y)) {
			inside = !inside
		}
	}
	return inside
}

func (p Polygon) next(i int) int { return (i + 1) % len(p) }

// area is that of a simple polygon as a fraction of the still's, by the
// shoelace formula: half the sum of the cross products of successive corners.
func (p Polygon) area() float64 {
	twice := 0.0
	for i, a := range p {
		b := p[p.next(i)]
		twice += a.X*b.Y - b.X*a.Y
	}
	return math.Abs(twice) / 2
}

// repeated returns two points that are the same.
func (p Polygon) repeated() (i, j int, found bool) {
	at := make(map[Point]int, len(p))
	for j, q := range p {
		if i, ok := at[q]; ok {
			return i, j, true
		}
		at[q] = j
	}
	return 0, 0, false
}

// crossing returns two sides, each named by its first point, that meet where
// they should not. No two points of p are the same.
func (p Polygon) crossing() (i, j int, found bool) {
	for i := range p {
		for j := i + 1; j < len(p); j++ {
			a, b, c, d := p[i], p[p.next(i)], p[j], p[p.next(j)]
			switch {
			case p.next(i) == j:
				found = foldsBack(a, b, d)
			case p.next(j) == i:
				found = foldsBack(c, a, b)
			default:
				found = meet(a, b, c, d)
			}
			if found {
				return i, j, true
			}
		}
	}
	return 0, 0, false
}

// foldsBack reports whether the side from b to c goes back over that from a to
// b. The three are different.
func foldsBack(a, b, c Point) bool {
	return side(a, b, c) == 0 && (between(b, a, c) || between(b, c, a))
}

// meet reports whether the segments from a to b and from c to d have a point
// in common, an end or not.
func meet(a, b, c, d Point) bool {
	sc, sd, sa, sb := side(a, b, c), side(a, b, d), side(c, d, a), side(c, d, b)
	return sc*sd < 0 && sa*sb < 0 ||
		sc == 0 && between(a, c, b) || sd == 0 && between(a, d, b) ||
		sa == 0 && between(c, a, d) || sb == 0 && between(c, b, d)
}

// between reports whether q, which is on the line through a and b, is on the
// segment from a to b.
func between(a, q, b Point) bool {
	return min(a.X, b.X) <= q.X && q.X <= max(a.X, b.X) && min(a.Y, b.Y) <= q.Y && q.Y <= max(a.Y, b.Y)
}

// side returns on which side of the line from a to b the point c is, as 1 or
// -1, or 0 where it is on the line: the sign of the determinant
//
//	(a.X-c.X)(b.Y-c.Y) - (a.Y-c.Y)(b.X-c.X)
//
// Where rounding might have changed that sign it is computed again without
// rounding. The bound on the rounding is that of J. R. Shewchuk, Adaptive
// Precision Floating-Point Arithmetic and Fast Robust Geometric Predicates
// (1997), section 4.2: (3+16e)e times the sum of the two products' absolute
// values, with e = 2^-53. It holds unless a product underflows, hence least.
func side(a, b, c Point) int {
	const e, least = 0x1p-53, 0x1p-900
	l, r := float64((a.X-c.X)*(b.Y-c.Y)), float64((a.Y-c.Y)*(b.X-c.X)) // rounded, not fused with what follows
	if d := l - r; math.Abs(d) > (3+16*e)*e*(math.Abs(l)+math.Abs(r))+least {
		return cmp.Compare(d, 0)
	}
	// Numbers from 0 to 1 are multiples of 2^-1074, so 1075 bits hold any
	// difference of two, and twice as many a product.
	exactly := func(u, v float64) *big.Float {
		f := new(big.Float).SetPrec(2200).SetFloat64(u)
		return f.Sub(f, big.NewFloat(v))
	}
	left, right := exactly(a.X, c.X), exactly(a.Y, c.Y)
	left.Mul(left, exactly(b.Y, c.Y))
	right.Mul(right, exactly(b.X, c.X))
	return left.Cmp(right)
}

// A Point is a place on a still, in pixels from its left upper corner.
type Point struct {
	X float64 `json:"x"`
	Y float64 `json:"y"`
}

// Round returns the nearest whole pixel.
func (p Point) Round() image.Point {
	return image.Pt(int(math.Round(p.X)), int(math.Round(p.Y)))
}

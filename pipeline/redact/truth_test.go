package redact_test

import (
	"fmt"
	"image"
	"image/draw"
	"sync"
	"testing"
	"time"

	"github.com/disintegration/imaging"
	"golang.org/x/image/vector"

	"lintel/internal/doorstep"
	"lintel/internal/house"
	"lintel/pipeline/redact"
)

// Three stand before the bell on one drawn still, and on the other two do, near and far.
var callers = sync.OnceValue(func() []doorstep.Still {
	at := time.Date(2031, 6, 17, 15, 0, 0, 0, time.UTC)
	stands := func(who int, distance, aside float64, v doorstep.Visitor) doorstep.Visitor {
		v.Who, v.Distance, v.Aside = doorstep.People[who], distance, aside
		return v
	}
	return []doorstep.Still{
		doorstep.Scene{At: at, Seed: 1, Visitors: []doorstep.Visitor{
			stands(0, 0.7, -0.4, doorstep.Visitor{Yaw: 20}), stands(3, 1.1, 0.1, doorstep.Visitor{Hat: true}),
			stands(5, 0.9, 0.55, doorstep.Visitor{Roll: -15, Scarf: true}),
		}}.Still(),
		doorstep.Scene{Door: doorstep.Garden, At: at, Sky: doorstep.Overcast, Seed: 2, Visitors: []doorstep.Visitor{
			stands(1, 0.5, -0.1, doorstep.Visitor{Pitch: -10}), stands(6, 2, 0.9, doorstep.Visitor{Glasses: true}),
		}}.Still(),
	}
})

// of says which pixels of a picture are meant.
type of func(x, y int) bool

// covered are the pixels that masks cover in part. Outside: the rasteriser of
// golang.org/x/image/vector.
func covered(size image.Point, masks []house.Polygon) of {
	all := image.NewAlpha(image.Rectangle{Max: size})
	for _, m := range masks {
		r := vector.NewRasterizer(size.X, size.Y)
		for i, p := range m {
			x, y := float32(p.X*float64(size.X)), float32(p.Y*float64(size.Y))
			if i == 0 {
				r.MoveTo(x, y)
			} else {
				r.LineTo(x, y)
			}
		}
		r.ClosePath()
		r.DrawOp = draw.Over
		r.Draw(all, all.Rect, image.Opaque, image.Point{})
	}
	return func(x, y int) bool { return all.AlphaAt(x, y).A > 0 }
}

// near are the pixels that lie within so many of those meant, along the rows and columns.
func near(size image.Point, meant of, by int) of {
	counts := make([][]int, size.Y+1) // of those left and above
	counts[0] = make([]int, size.X+1)
	for y := range size.Y {
		counts[y+1] = make([]int, size.X+1)
		row := 0
		for x := range size.X {
			if meant(x, y) {
				row++
			}
			counts[y+1][x+1] = counts[y][x+1] + row
		}
	}
	return func(x, y int) bool {
		r := image.Rect(x-by, y-by, x+by+1, y+by+1).Intersect(image.Rectangle{Max: size})
		return counts[r.Max.Y][r.Max.X]-counts[r.Min.Y][r.Max.X] != counts[r.Max.Y][r.Min.X]-counts[r.Min.Y][r.Min.X]
	}
}

// compare holds a redacted still against the same one that was only coded anew. Pixels
// that are gone are as black says; those that are kept are the same.
func compare(t *testing.T, sent, redacted []byte, black, kept of) {
	t.Helper()
	again, err := redact.Encode(decode(t, sent))
	if err != nil {
		t.Fatal(err)
	}
	was, is := decode(t, again).(*image.YCbCr), decode(t, redacted).(*image.YCbCr)
	if was.Rect != is.Rect {
		t.Fatalf("a still of %v became one of %v", was.Rect, is.Rect)
	}
	blacks, same, lit, changed := 0, 0, 0, 0
	for y := range is.Rect.Dy() {
		for x := range is.Rect.Dx() {
			i, c := is.YOffset(x, y), is.COffset(x, y)
			if black(x, y) {
				blacks++
				if is.Y[i] != 0 || is.Cb[c] != 128 || is.Cr[c] != 128 {
					lit++
				}
			} else if kept(x, y) {
				same++
				if is.Y[i] != was.Y[i] || is.Cb[c] != was.Cb[c] || is.Cr[c] != was.Cr[c] {
					changed++
				}
			}
		}
	}
	t.Logf("%d pixels black, %d as they were", blacks, same)
	if lit > 0 || changed > 0 || same == 0 {
		t.Errorf("of %d masked pixels %d are not black, of %d others %d are not as they were", blacks, lit, same, changed)
	}
}

// Every pixel that a mask covers even in part is black once the still is coded and decoded
// again, and what lies two coded blocks away or more is what coding anew makes of it.
func TestTruthOfMasks(t *testing.T) {
	still := callers()[0]
	window := house.Polygon{{X: .71, Y: .2}, {X: .93, Y: .213}, {X: .927, Y: .55}, {X: .705, Y: .541}}
	hook := house.Polygon{{X: .05, Y: .1}, {X: .4, Y: .13}, {X: .37, Y: .9}, {X: .3, Y: .2}, {X: .05, Y: .16}}
	rim := house.Polygon{{X: 0, Y: .9}, {X: 1, Y: .97}, {X: 1, Y: 1}, {X: 0, Y: 1}}
	sliver := house.Polygon{{X: .3001, Y: 0}, {X: .302, Y: 0}, {X: .7023, Y: 1}, {X: .7004, Y: 1}}
	for _, masks := range [][]house.Polygon{{window}, {hook, rim}, {sliver, window, hook}} {
		for _, size := range []image.Point{{doorstep.Width, doorstep.Height}, {641, 479}, {333, 511}, {197, 151}} {
			t.Run(fmt.Sprintf("%d masks, %v", len(masks), size), func(t *testing.T) {
				sent := doorstep.Still{Image: imaging.Resize(still.Image, size.X, size.Y, imaging.Box)}.JPEG(85)
				masked, err := redact.Mask(sent, masks)
				if err != nil {
					t.Fatal(err)
				}
				gone := covered(size, masks)
				reached := near(size, gone, 2*redact.Reach)
				compare(t, sent, masked, gone, func(x, y int) bool { return !reached(x, y) })
			})
		}
	}
}

// A mask over somebody who stands there takes them out whole, hair and all, and leaves
// the others as they are. Outside: which pixels show a head, by the truth of the drawing.
func TestTruthOfMaskedHeads(t *testing.T) {
	for n, still := range callers() {
		if len(still.Truth) != 3-n {
			t.Fatalf("the drawing has %d heads", len(still.Truth))
		}
		for i, head := range still.Truth {
			r := shown(head.Mask)
			at := func(x, y int) house.Point {
				return house.Point{X: float64(x) / doorstep.Width, Y: float64(y) / doorstep.Height}
			}
			sent := still.JPEG(85)
			masked, err := redact.Mask(sent, []house.Polygon{{at(r.Min.X, r.Min.Y), at(r.Max.X, r.Min.Y), at(r.Max.X, r.Max.Y),
				at(r.Min.X, r.Max.Y)}})
			if err != nil {
				t.Fatal(err)
			}
			reach := r.Inset(-2 * redact.Reach)
			compare(t, sent, masked, func(x, y int) bool { return head.Mask.AlphaAt(x, y).A > 0 }, func(x, y int) bool {
				return !image.Pt(x, y).In(reach)
			})
			t.Logf("still %d, head %d of %d, %v", n, i+1, len(still.Truth), r)
		}
	}
}

// shown is the part of a still in which a mask shows anything.
func shown(m *image.Alpha) (r image.Rectangle) {
	for y := range m.Rect.Dy() {
		for x := range m.Rect.Dx() {
			if m.AlphaAt(x, y).A > 0 {
				r = r.Union(image.Rect(x, y, x+1, y+1))
			}
		}
	}
	return r
}

// Who is blurred in somebody else's export is not to be seen: what goes covers every
// pixel of their head, by the truth of the drawing, and the one whose export it is stays
// wherever that leaves them.
func TestTruthOfBlurredHeads(t *testing.T) {
	for n, still := range callers() {
		if len(still.Truth) != 3-n {
			t.Fatalf("the drawing has %d heads", len(still.Truth))
		}
		sent := still.JPEG(85)
		for i := range still.Truth {
			var others []image.Rectangle
			for j, other := range still.Truth {
				if j != i {
					others = append(others, other.Box)
				}
			}
			hidden, err := redact.Hidden(sent, others)
			if err != nil || len(hidden) != len(others) {
				t.Fatalf("%v, %v", hidden, err)
			}
			blurred, err := redact.Blur(sent, others)
			if err != nil {
				t.Fatal(err)
			}
			gone := func(x, y int) bool {
				for _, h := range hidden {
					if image.Pt(x, y).In(h) {
						return true
					}
				}
				return false
			}
			for j, other := range still.Truth {
				if j == i {
					continue
				}
				all, seen := count(other.Mask, func(int, int) bool { return true }), count(other.Mask, func(x, y int) bool {
					return !gone(x, y)
				})
				t.Logf("still %d: of the head of %s, %d of %d pixels are still seen", n, other.Who.Name, seen, all)
				if all == 0 || seen > 0 {
					t.Errorf("still %d: of the head of %s, %d of %d pixels are still seen", n, other.Who.Name, seen, all)
				}
			}
			compare(t, sent, blurred, func(int, int) bool { return false }, func(x, y int) bool { return !gone(x, y) })
		}
	}
}

// count is how many pixels of a head are meant.
func count(m *image.Alpha, meant of) (n int) {
	for y := range m.Rect.Dy() {
		for x := range m.Rect.Dx() {
			if m.AlphaAt(x, y).A > 0 && meant(x, y) {
				n++
			}
		}
	}
	return n
}

package face

import (
	"cmp"
	"image"
	"slices"

	pigo "github.com/esimov/pigo/core"
)

// maxPlane is the longer side, in pixels, of the plane that small faces are
// searched on: half of a 1280 pixel still.
const maxPlane = 720

// A proposal is where a face may be: the middle of a square and its side, in
// pixels of the still. The cascade's square is wider than dlib's box of the
// same face, by boxRatio.
type proposal struct {
	x, y, side int
	score      float32
}

// boxRatio is dlib's box's width over the cascade's square's side: the median
// over the labelled example photographs, see MEASUREMENTS.md.
const boxRatio = 0.84

// box is where dlib would draw its box.
func (p proposal) box() image.Rectangle {
	r := int(float64(p.side) * boxRatio / 2)
	return image.Rect(p.x-r, p.y-r, p.x+r, p.y+r)
}

// A search says which squares to try on a plane.
type search struct {
	min, max int     // side of the squares, in pixels of the plane
	step     float64 // from square to square, as a share of the side
	growth   float64 // from side to side
}

// The searches. The small ones end where the large ones begin: 40 pixels of the
// fine plane are 20 of the coarse one. MEASUREMENTS.md has what each finds and
// costs.
var (
	// The first look at large faces is coarse and misses a few turned ones.
	largeFirst = search{min: 20, max: 1 << 16, step: 0.15, growth: 1.2}
	// The second finds the others, where it runs beside other work.
	largeSecond = search{min: 34, max: 1 << 16, step: 0.1, growth: 1.1}
	smallFirst  = search{min: 18, max: 44, step: 0.15, growth: 1.15}

	// Where nobody was found, or the picture is small, there is time to
	// look closely: at faces of up to 90 pixels of the fine plane on both
	// planes, for the squares of one lie between those of the other. Two
	// goroutines share the work, of which the smallest make up half.
	largeClose  = search{min: 20, max: 1 << 16, step: 0.1, growth: 1.1}
	mediumClose = search{min: 36, max: 90, step: 0.1, growth: 1.1}
	smallClose  = search{min: 18, max: 34, step: 0.112, growth: 1.07}
)

// How many pixels the planes are widened by on each side: dlib's box of a face
// may touch the border if its square has up to 100 pixels on the fine plane,
// 150 on the coarse one.
const (
	fineMargin   = 8
	coarseMargin = 12
)

// apart is the intersection over union from which two squares are one place.
// With less, two people side by side become one place between them.
const apart = 0.2

// maxPlaces bounds the work that a still can cause: how many places are kept of
// a search.
const maxPlaces = 48

// maxFaces is how many faces of a still are described, each of which takes 15 ms
// or more. Before a bell stand fewer, and of a crowd the largest are those that
// rang. What was not looked at is counted.
const maxFaces = 16

// search returns the places a plane has faces at, the likeliest first.
func (sc *scanner) search(p plane, s search) []proposal {
	s.max = min(s.max, p.w, p.h) // no square is larger than the plane
	if s.max < s.min {
		return nil
	}
	var places []proposal
	for _, d := range sc.clusters(p, image.Rect(0, 0, p.w, p.h), s, apart) {
		places = append(places, proposal{(d.Col - p.margin) * p.factor, (d.Row - p.margin) * p.factor, d.Scale * p.factor,
			d.Q})
	}
	slices.SortStableFunc(places, func(a, b proposal) int { return cmp.Compare(b.score, a.score) })
	return places[:min(len(places), maxPlaces)]
}

// clusters runs the cascade on a part of a plane, and makes one of the squares
// that overlap by more than iou, an intersection over union.
func (sc *scanner) clusters(p plane, part image.Rectangle, s search, iou float64) []pigo.Detection {
	if part.Empty() {
		return nil
	}
	squares := sc.squares(p.pix[part.Min.Y*p.w+part.Min.X:], part.Dx(), part.Dy(), p.w, s)
	return (*pigo.Pigo)(nil).ClusterDetections(squares, iou)
}

// Scores are sums over the windows of a cluster. A place of this score needs
// no second look; after a second look, one of less than the other is none.
const (
	sureScore   = 25
	likelyScore = 8
)

// likely drops places that don't hold up when the cascade looks at them again,
// in small steps: the detector takes ten times as long to say no.
func (sc *scanner) likely(p plane, places []proposal) []proposal {
	kept := places[:0]
	for _, at := range places {
		if at.score < sureScore {
			at.score = sc.again(p, at)
		}
		if at.score >= likelyScore {
			kept = append(kept, at)
		}
	}
	return kept
}

// again is the best score of a dense search around a place.
func (sc *scanner) again(p plane, at proposal) float32 {
	side := at.side / p.factor
	r := side * 9 / 10
	x, y := at.x/p.factor+p.margin, at.y/p.factor+p.margin
	part := image.Rect(x-r, y-r, x+r, y+r).Intersect(image.Rect(0, 0, p.w, p.h))
	dense := search{min: side * 3 / 4, max: min(side*4/3, part.Dx(), part.Dy()), step: 0.05, growth: 1.07}
	best := float32(0)
	for _, d := range sc.clusters(p, part, dense, 0.1) {
		best = max(best, d.Q)
	}
	return best
}

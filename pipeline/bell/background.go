package bell

import (
	"context"
	"encoding/json"
	"errors"
	"image"
	"image/color"
	"math"
	"slices"
	"time"

	"lintel/internal/house"
)

// The grid that a view is kept as: so coarse that nobody can be made out on it, and
// without the places where faces were found.
const (
	columns, rows = 24, 18
	cells         = columns * rows
)

// What is taken for wrong with a view, by comparison with what the bell usually
// sees at this hour. The bounds were chosen on photographs that were altered here
// (MEASUREMENTS.md), and so that nothing is said where that is doubtful.
const (
	known       = 3   // rings at an hour make it known
	slow        = 8   // rings that the usual goes by in the long run
	darkMean    = 20  // of 255: a still that is darker may be dark
	lightMean   = 50  // an hour that is usually lighter is light
	duskMean    = 40  // an hour beside it that is usually darker makes it dusk
	plainShare  = .15 // of the usual detail: less in four of five cells is none
	blurShare   = .45 // less in four of five cells is blurred, where the layout is still the usual one
	sharpShare  = .6  // a view that is moved is as sharp as before
	fits        = .5  // correlation: the layout is the usual one
	fitsNot     = .2  // it is not
	fitsNowhere = .05 // nothing is where it was
	fitsMoved   = .55 // it is, elsewhere
	fewDetail   = 2   // of 255: a cell with less can't tell whether it is sharp
	fewCells    = cells / 6
	farthest    = 7 // cells that a view may be moved by and be recognised
)

// A glance is what one still shows.
type glance struct {
	grey   [cells]float64 // 0 to 255
	detail [cells]float64 // mean difference of pixels side by side, 0 to 255
	hidden [cells]bool    // by a face, or black as a mask is
}

// An hour is what a bell usually sees at one hour of the day.
type hour struct {
	Rings  int    `json:"rings"`
	Grey   []byte `json:"grey"`   // by row
	Detail []byte `json:"detail"` // ten times
	Seen   []byte `json:"seen"`   // how often each cell was, up to slow
}

// A view is what a bell usually sees, by the hour of the household's day.
type view struct {
	Hours [24]*hour `json:"hours"`
}

// A state of a view.
const (
	untold = house.Ailment("")   // what is usual then is not known
	fine   = house.Ailment("ok") // it is as usual, or can't be told from that
)

// newGlance measures a still whose faces were found.
func newGlance(still image.Image, faces []house.Face) (l glance) {
	luma, size := lumaOf(still)
	for i := range cells {
		x0, x1 := i%columns*size.X/columns, (i%columns+1)*size.X/columns
		y0, y1 := i/columns*size.Y/rows, (i/columns+1)*size.Y/rows
		var sum, change, n, steps float64
		darkest := 255.0
		for y := y0; y < y1; y++ {
			for x := x0; x < x1; x++ {
				v := luma[y*size.X+x]
				sum, n, darkest = sum+v, n+1, min(darkest, v)
				if x+1 < size.X && y+1 < size.Y {
					change += math.Abs(luma[y*size.X+x+1]-v) + math.Abs(luma[(y+1)*size.X+x]-v)
					steps += 2
				}
			}
		}
		l.grey[i], l.detail[i] = sum/max(n, 1), change/max(steps, 1)
		l.hidden[i] = l.grey[i] < 1 // a mask is black, and compression leaves it so
		cell := image.Rect(x0, y0, x1, y1)
		bounds, of := still.Bounds(), still.Bounds().Size()
		for _, f := range faces {
			box := f.Box.Inset(-f.Box.Dx() / 2).Sub(bounds.Min) // with hair, chin and what is around them
			box.Min.X, box.Max.X = box.Min.X*size.X/max(of.X, 1), box.Max.X*size.X/max(of.X, 1)
			box.Min.Y, box.Max.Y = box.Min.Y*size.Y/max(of.Y, 1), box.Max.Y*size.Y/max(of.Y, 1)
			l.hidden[i] = l.hidden[i] || cell.Overlaps(box)
		}
	}
	return l
}

// measured is the width that a still is made smaller to: noise of the sensor goes,
// and what is sharp stays so.
const measured = 640

// lumaOf returns the luma of a still by row, made smaller by a whole number.
func lumaOf(still image.Image) (luma []float64, size image.Point) {
	b := still.Bounds()
	by := max(1, (b.Dx()+measured-1)/measured)
	size = image.Pt(max(1, b.Dx()/by), max(1, b.Dy()/by))
	luma = make([]float64, size.X*size.Y)
	at := func(x, y int) float64 {
		return float64(color.GrayModel.Convert(still.At(x, y)).(color.Gray).Y)
	}
	switch img := still.(type) { // what decoders give, and quicker so
	case *image.YCbCr:
		at = func(x, y int) float64 { return float64(img.Y[img.YOffset(x, y)]) }
	case *image.Gray:
		at = func(x, y int) float64 { return float64(img.Pix[img.PixOffset(x, y)]) }
	}
	for y := range size.Y {
		for x := range size.X {
			sum, n := 0.0, 0
			for dy := range by {
				for dx := range by {
					px, py := b.Min.X+x*by+dx, b.Min.Y+y*by+dy
					if image.Pt(px, py).In(b) {
						sum, n = sum+at(px, py), n+1
					}
				}
			}
			luma[y*size.X+x] = sum / float64(max(n, 1))
		}
	}
	return luma, size
}

// mean is a mean over the cells that both can be told of.
func mean(values *[cells]float64, counts func(i int) bool) (m float64, n int) {
	for i, v := range values {
		if counts(i) {
			m, n = m+v, n+1
		}
	}
	return m / float64(max(n, 1)), n
}

// learn takes a glance into what is usual.
func (h *hour) learn(l glance) {
	if len(h.Grey) != cells || len(h.Detail) != cells || len(h.Seen) != cells {
		*h = hour{Grey: make([]byte, cells), Detail: make([]byte, cells), Seen: make([]byte, cells)}
	}
	h.Rings++
	for i := range cells {
		if l.hidden[i] {
			continue
		}
		if h.Seen[i] < slow {
			h.Seen[i]++
		}
		n := float64(h.Seen[i])
		towards := func(b byte, v float64) byte {
			return byte(min(255, max(0, math.Round(float64(b)+(v-float64(b))/n))))
		}
		h.Grey[i], h.Detail[i] = towards(h.Grey[i], l.grey[i]), towards(h.Detail[i], 10*l.detail[i])
	}
}

// usual is an hour as a glance, nil where it is not known.
func (h *hour) usual() *glance {
	if h == nil || h.Rings < known || len(h.Grey) != cells || len(h.Detail) != cells || len(h.Seen) != cells {
		return nil
	}
	l := new(glance)
	for i := range cells {
		l.grey[i], l.detail[i], l.hidden[i] = float64(h.Grey[i]), float64(h.Detail[i])/10, h.Seen[i] == 0
	}
	return l
}

// judge says what is wrong with a glance at an hour of the day.
func (v *view) judge(l glance, at int) house.Ailment {
	usual := v.Hours[at].usual()
	if usual == nil {
		return untold
	}
	both := func(i int) bool { return !usual.hidden[i] && (!l.hidden[i] || l.grey[i] < 1) }
	before, n := mean(&usual.grey, both)
	now, _ := mean(&l.grey, both)
	if n < fewCells {
		return untold
	}
	if now < darkMean && before >= lightMean {
		if v.dusk(at) {
			return untold
		}
		return house.BellDark
	}
	median, most, n := detailShares(usual, &l)
	if n < fewCells {
		return untold // a wall, or nearly all is masked
	}
	best := fit(usual, &l, 0, 0)
	for _, h := range v.Hours {
		if other := h.usual(); other != nil {
			best = max(best, fit(other, &l, 0, 0))
		}
	}
	switch {
	case now < darkMean:
		return untold // it is dark as usual, and noise can't be told from detail
	case most < plainShare && best < fits:
		return house.BellCovered
	case most < blurShare && best >= fits:
		return house.BellUnfocused
	case median >= sharpShare && best < fitsNot && moved(usual, &l) >= fitsMoved:
		return house.BellMoved
	case median >= sharpShare && best < fitsNowhere:
		return house.BellMoved // nothing is where it was
	}
	return fine
}

// dusk reports whether it is dark within two hours of an hour, as far as that is
// known: days grow shorter, and clocks are set back.
func (v *view) dusk(at int) bool {
	for by := -2; by <= 2; by++ {
		if usual := v.Hours[(at+by+24)%24].usual(); usual != nil {
			if m, n := mean(&usual.grey, func(i int) bool { return !usual.hidden[i] }); n > 0 && m < duskMean {
				return true
			}
		}
	}
	return false
}

// detailShares is how much of the usual detail is there, over the cells that have
// any: by the median, and what four of five have at the most. Whoever stands before
// the bell hides fewer.
func detailShares(usual, l *glance) (median, most float64, n int) {
	var shares []float64
	for i := range cells {
		if !usual.hidden[i] && !l.hidden[i] && usual.detail[i] >= fewDetail {
			shares = append(shares, l.detail[i]/usual.detail[i])
		}
	}
	if len(shares) == 0 {
		return 0, 0, 0
	}
	slices.Sort(shares)
	return shares[len(shares)/2], shares[len(shares)*4/5], len(shares)
}

// fit is how alike two looks are when the second is moved by some cells: the
// correlation of how each cell differs from those around it, which light alters
// little. It is 0 where too few cells are on both.
func fit(a, b *glance, dx, dy int) float64 {
	var ab, aa, bb float64
	n := 0
	for y := range rows {
		for x := range columns {
			u, ok := relief(a, x, y)
			v, too := relief(b, x+dx, y+dy)
			if ok && too {
				ab, aa, bb, n = ab+u*v, aa+u*u, bb+v*v, n+1
			}
		}
	}
	if n < fewCells || aa == 0 || bb == 0 {
		return 0
	}
	return ab / math.Sqrt(aa*bb)
}

// relief is by how much a cell is lighter than those around it, bounded so that no
// lamp outweighs all else.
func relief(l *glance, x, y int) (v float64, ok bool) {
	if x < 1 || y < 1 || x >= columns-1 || y >= rows-1 || l.hidden[y*columns+x] {
		return 0, false
	}
	sum, n := 0.0, 0.0
	for dy := -1; dy <= 1; dy++ {
		for dx := -1; dx <= 1; dx++ {
			if i := (y+dy)*columns + x + dx; (dx != 0 || dy != 0) && !l.hidden[i] {
				sum, n = sum+l.grey[i], n+1
			}
		}
	}
	if n == 0 {
		return 0, false
	}
	return min(40, max(-40, l.grey[y*columns+x]-sum/n)), true
}

// moved is how well a glance fits the usual one when it is moved.
func moved(usual, l *glance) (best float64) {
	for dy := -farthest; dy <= farthest; dy++ {
		for dx := -farthest; dx <= farthest; dx++ {
			if dx*dx+dy*dy > 1 {
				best = max(best, fit(usual, l, dx, dy))
			}
		}
	}
	return best
}

// Saw compares a still that was examined with what its bell usually sees, and
// learns from it unless something may be wrong. Of a ring one still is looked at,
// and three rings in a row make an ailment; one that is as usual ends it. An old
// still that was brought in says nothing of how the bell is.
func (w *Watch) Saw(ctx context.Context, still house.Still, img image.Image, faces []house.Face) error {
	w.viewing.Lock()
	defer w.viewing.Unlock()
	if still.Damaged || still.Imported || w.seen[still.Bell] == still.Visit {
		return nil
	}
	visit, err := w.archive.Visit(ctx, still.Visit)
	if errors.Is(err, house.ErrNotFound) {
		return nil // erased meanwhile
	}
	if err != nil {
		return err
	}
	w.seen[still.Bell] = still.Visit
	rules, err := w.archive.Rules(ctx)
	if err != nil {
		return err
	}
	kept, err := w.archive.BellView(ctx, visit.Bell)
	if err != nil {
		return err
	}
	v, err := readView(kept)
	if err != nil {
		return err
	}
	l, at := newGlance(img, faces), still.ReceivedAt.In(rules.Location()).Hour()
	found := v.judge(l, at)
	health, err := w.archive.BellHealth(ctx, visit.Bell)
	if err != nil {
		return err
	}
	if found == fine || found == untold && !health.Doubted() {
		if v.Hours[at] == nil {
			v.Hours[at] = new(hour)
		}
		v.Hours[at].learn(l)
		if kept, err = json.Marshal(v); err != nil {
			return err
		}
		if err := w.archive.KeepBellView(ctx, visit.Bell, kept); err != nil {
			return err
		}
	}
	if found == untold || found == fine && !health.Doubted() {
		return nil
	}
	return w.suspect(ctx, visit.Bell, found, still.ReceivedAt)
}

// suspect notes what was found of a view.
func (w *Watch) suspect(ctx context.Context, bell string, found house.Ailment, at time.Time) error {
	err := w.archive.ChangeBellHealth(ctx, bell, func(h *house.Health) error {
		for _, what := range house.Ailments {
			if what.OfView() {
				h.Suspect(what, what == found, at)
			}
		}
		return nil
	})
	if errors.Is(err, house.ErrNotFound) {
		return nil // removed meanwhile
	}
	return err
}

func readView(kept []byte) (v view, err error) {
	if kept == nil {
		return v, nil
	}
	err = json.Unmarshal(kept, &v)
	return v, err
}

// KnownHours is how many hours of the day a view is known at, as the archive has
// it.
func KnownHours(kept []byte) (n int) {
	v, err := readView(kept)
	if err != nil {
		return 0
	}
	for _, h := range v.Hours {
		if h.usual() != nil {
			n++
		}
	}
	return n
}

package redact

import (
	"fmt"
	"image"
	"slices"
)

// FaceMargin and HairMargin are how far beyond a face's box [Blur] goes, in parts of
// the box's longer side: to both sides and below, and above. A box holds a face from the
// brows to the chin; hair, ears and beard tell people apart as well.
const FaceMargin, HairMargin = 0.5, 0.9

// Blur returns the still with all within the boxes, and a margin, unseen: in
// its place are soft colours drawn from around it, as of something far out of
// focus, and nothing of the face. Boxes are in pixels of the still; empty ones
// and those beside the still are passed over. The error is [ErrNotAStill].
//
// The margin also goes over somebody who stands cheek by cheek with a person
// in a box, and whose still it may be: of the two the other comes first.
func Blur(still []byte, boxes []image.Rectangle) ([]byte, error) {
	size, _, err := header(still)
	if err != nil {
		return nil, fmt.Errorf("blurring faces: %w", err)
	}
	boxes = slices.DeleteFunc(slices.Clone(boxes), func(b image.Rectangle) bool {
		return !b.Overlaps(image.Rectangle{Max: size})
	})
	if len(boxes) == 0 {
		return still, nil
	}
	defer turn(still)()
	m, err := decode(still)
	if err != nil {
		return nil, fmt.Errorf("blurring faces: %w", err)
	}
	if err := blur(m, boxes); err != nil {
		return nil, fmt.Errorf("blurring faces: %w", err)
	}
	return Encode(m)
}

// blur takes out of a picture, in place, what goes for the faces in the boxes.
func blur(m image.Image, boxes []image.Rectangle) error {
	planes, err := planes(m)
	if err != nil {
		return err
	}
	gone, block := make([]image.Rectangle, len(boxes)), block(planes)
	for i, b := range boxes {
		gone[i] = grown(b, m.Bounds(), block)
	}
	for _, p := range planes {
		onPlane := make([]image.Rectangle, len(gone))
		for i, b := range gone {
			onPlane[i] = cover(b, p.pixels)
		}
		for _, b := range onPlane {
			p.soften(b, onPlane)
		}
	}
	return nil
}

// grown returns the part of a still that goes for the face in a box: whole
// blocks of it, and a margin of Reach at least for the blocks that it was
// coded in before it may have been turned.
func grown(box, still image.Rectangle, block image.Point) image.Rectangle {
	box = box.Intersect(still)
	side := float64(max(box.Dx(), box.Dy()))
	margin := max(int(FaceMargin*side), Reach)
	above := max(int(HairMargin*side), Reach)
	box = image.Rect(box.Min.X-margin, box.Min.Y-above, box.Max.X+margin, box.Max.Y+margin).Intersect(still)
	cells := cover(box, block)
	return image.Rectangle{
		image.Pt(cells.Min.X*block.X, cells.Min.Y*block.Y),
		image.Pt(cells.Max.X*block.X, cells.Max.Y*block.Y),
	}.Intersect(still)
}

// soften fills a box with values that go over from one of its sides to the
// others: at each sample the means of the four sides, weighted by nearness.
// Sides are the samples next to the box, without those in any of the boxes.
func (p plane) soften(box image.Rectangle, boxes []image.Rectangle) {
	left, l := p.mean(image.Rect(box.Min.X-1, box.Min.Y, box.Min.X, box.Max.Y), boxes)
	right, r := p.mean(image.Rect(box.Max.X, box.Min.Y, box.Max.X+1, box.Max.Y), boxes)
	above, a := p.mean(image.Rect(box.Min.X, box.Min.Y-1, box.Max.X, box.Min.Y), boxes)
	below, b := p.mean(image.Rect(box.Min.X, box.Max.Y, box.Max.X, box.Max.Y+1), boxes)
	for y := box.Min.Y; y < box.Max.Y; y++ {
		row := p.row(y, box.Min.X, box.Max.X)
		a, b := a/float64(y-box.Min.Y+1), b/float64(box.Max.Y-y)
		for x := range row {
			l, r := l/float64(x+1), r/float64(len(row)-x)
			if weight := l + r + a + b; weight > 0 {
				row[x] = uint8((left*l+right*r+above*a+below*b)/weight + 0.5)
			} else {
				row[x] = 128 // there is no side: the boxes are the whole still
			}
		}
	}
}

// mean returns the mean of those samples in r that are in none of the boxes,
// and a weight of 1, or of 0 where there are none.
func (p plane) mean(r image.Rectangle, boxes []image.Rectangle) (mean, weight float64) {
	sum, n := 0, 0
	r = r.Intersect(image.Rectangle{Max: p.size})
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			if !slices.ContainsFunc(boxes, image.Pt(x, y).In) {
				sum += int(p.pix[y*p.stride+x])
				n++
			}
		}
	}
	if n == 0 {
		return 0, 0
	}
	return float64(sum) / float64(n), 1
}

package liveness

import (
	"image"
	"math"

	"lintel/internal/house"
)

// A camera never takes the same still twice: each has noise of its own. Two
// frames that are the same to the last bit, or the same but for having been
// shifted, are one frame that was sent twice.
//
// Compared are thumbnails, whose pixels are the mean of 16 of the still: noise of
// a standard deviation of 1 there is 0.25 here, so that frames of a camera
// differ by some tenths, and copies by nothing, or by some hundredths if they
// were packed as JPEG of high quality anew (MEASUREMENTS.md); packed harder,
// they are not told from frames of a camera. A shift is found where it is a whole
// number of pixels of a thumbnail. The face is compared by itself as well, because
// a camera may smooth a wall until nothing of its noise is left.

const (
	// sameWithin and differBy are means of the absolute difference of two
	// thumbnails: copies are within the one, frames of a camera differ by the other.
	sameWithin, differBy = 0.05, 0.15
	// furthestShift is in pixels of a thumbnail.
	furthestShift = 12
)

func measureCopies(seen []sighting) house.Finding {
	least, compared, different := math.Inf(1), false, false
	for i, s := range seen {
		for _, o := range seen[i+1:] {
			a, b := s.frame.Thumbnail, o.frame.Thumbnail
			if a == nil || b == nil || a.Luma == nil || b.Luma == nil || s.frame == o.frame {
				continue
			}
			if a.Width != b.Width || a.Height != b.Height || a.Luma.Rect != b.Luma.Rect || a.Luma.Rect.Empty() {
				different = true
				continue
			}
			least, compared = min(least, difference(a.Luma, b.Luma, onThumbnail(s.face.Box))), true
		}
	}
	switch {
	case compared:
		return house.Finding{Score: ramp(least, differBy, sameWithin), Values: []float64{least}}
	case different:
		return missing(Sizes)
	}
	return missing(Plain)
}

// onThumbnail is a box of the still in pixels of the thumbnail.
func onThumbnail(box image.Rectangle) image.Rectangle {
	return image.Rect(box.Min.X/thumbnailScale, box.Min.Y/thumbnailScale, box.Max.X/thumbnailScale,
		box.Max.Y/thumbnailScale)
}

// difference is the mean absolute difference of two thumbnails, or of the face on
// them if that is larger, with the shift by whole pixels at which it is least.
func difference(a, b *image.Gray, face image.Rectangle) float64 {
	// A few hundred pixels, each by itself, tell which shift to look at closely.
	w, h := a.Rect.Dx(), a.Rect.Dy()
	all := image.Rect(0, 0, w, h)
	reach := min(furthestShift, w/8, h/8)
	dx, dy, least := 0, 0, math.Inf(1)
	for v := -reach; v <= reach; v++ {
		for u := -reach; u <= reach; u++ {
			if d := shifted(a, b, u, v, all, max(w/16, 1), max(h/16, 1)); d < least {
				dx, dy, least = u, v, d
			}
		}
	}
	closely := func(dx, dy int) float64 {
		return max(shifted(a, b, dx, dy, all, 1, 1), shifted(a, b, dx, dy, face, 1, 1))
	}
	return min(closely(dx, dy), closely(0, 0))
}

// shifted is the mean absolute difference of a part of a and of b shifted, where
// they overlap, of pixels so many apart.
func shifted(a, b *image.Gray, dx, dy int, part image.Rectangle, across, down int) float64 {
	w, h := a.Rect.Dx(), a.Rect.Dy()
	part = part.Intersect(image.Rect(max(0, -dx), max(0, -dy), min(w, w-dx), min(h, h-dy)))
	sum, n := 0, 0
	for y := part.Min.Y; y < part.Max.Y; y += down {
		for x := part.Min.X; x < part.Max.X; x += across {
			d := int(a.Pix[y*a.Stride+x]) - int(b.Pix[(y+dy)*b.Stride+x+dx])
			sum, n = sum+max(d, -d), n+1
		}
	}
	return float64(sum) / float64(max(n, 1))
}

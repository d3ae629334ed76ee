package liveness

import (
	"math"

	"lintel/internal/house"
)

// FaceAt returns how many pixels wide a grown-up's face would be, in the middle
// of a still so many pixels wide, so many metres away.
//
// The angle of view is that between the left and the right border, so the focal
// length is w/2/tan(angle/2) pixels for a straight lens and w/2/(angle/2) for
// an equidistant one: its projection, solved for f.
func FaceAt(lens house.Lens, stillWidth int, distance float64) float64 {
	view := lens.Angle * math.Pi / 180 / 2
	half := math.Atan(meanEyes / 2 / distance)
	if lens.Projection != house.Equidistant {
		view, half = math.Tan(view), math.Tan(half)
	}
	return boxWidth * float64(stillWidth) * half / view
}

const (
	// meanEyes is how far a grown-up's eyes are apart, in metres (Dodgson,
	// Variation and extrema of human interpupillary distance, Proc. SPIE 5291,
	// 2004: a mean of 63.36 mm).
	meanEyes = 0.06336
	// boxWidth is that of the box around a face, in distances of the eyes: 2.28 in
	// the mean of 60 pictures of grown-ups' faces, standard deviation 0.20.
	boxWidth = 2.3
)

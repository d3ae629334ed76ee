package view

import (
	"math"
	"strconv"

	"lintel/internal/house"
)

// Lens says how a bell looks.
func (t Presenter) Lens(l house.Lens, known bool) string {
	if !known {
		return t.Words.Text("lens-unknown")
	}
	key := "lens-straight"
	if l.Projection == house.Equidistant {
		key = "lens-bowed"
	}
	return t.Words.Text(key, "Angle", PlainNumber(l.Angle, 1), "Height", PlainNumber(l.Height, 2), "Tilt", t.tilt(l.Tilt))
}

// tilt says how far a bell looks down or up.
func (t Presenter) tilt(tilt float64) string {
	by := PlainNumber(math.Abs(tilt), 1)
	key := "lens-down"
	switch {
	case by == "0":
		key = "lens-ahead"
	case tilt < 0:
		key = "lens-up"
	}
	return t.Words.Text(key, "By", by)
}

// PlainNumber writes a number with so many decimals at the most, as forms have it.
func PlainNumber(v float64, decimals int) string {
	scale := math.Pow10(decimals)
	return strconv.FormatFloat(math.Round(v*scale)/scale+0, 'f', -1, 64)
}

package liveness

import (
	"image"
	"math"

	"lintel/store"
)

// A person stands before what is behind. If the lens is sharp for the one it is
// less so for the other, and the step is at the outline of the head. On a
// picture, the face and what is around it are equally sharp, and the step lies
// farther out, where the picture ends and the bell sees for itself.
//
// Measured is how steep edges are, as for the sign of detail, of the face,
// directly around the head, and on the rest of the still. It counts how much
// sharper the rest is than both, less what the two differ by.
//
// This is a weak sign, common practice without a source. The lens of a bell is
// short and its sensor small, so that all from an arm's length to the street is
// about sharp; then nothing can be told and it reads 0. A rest that is softer
// does not count: so it is behind a person who stands at a wall.
//
// Values: steepness of the edges of the face, around it, and of the rest.
var focusSign = sign{
	code: Focus,
	words: words{
		name: "Equally soft around the face",
		says: func(store.Finding) string {
			return "The face is as soft as what is directly around it, and the rest of the still is sharper. That alone says little."
		},
	},
	measure: measureFocus,
}

// focusFrom is by which factor the rest has to be steeper for the sign to
// count, and focusPlain for it to be as plain as it gets.
const focusFrom, focusPlain = 1.4, 2.5

func measureFocus(v *view) store.Finding {
	head := v.head()
	switch {
	case v.face.Box.Dx() < detailTiny:
		return missing(Tiny)
	case v.meanLuma(v.face.Box) < gridDark:
		return missing(Dark)
	}
	noise := v.noise(head)
	w := v.face.Box.Dx()
	near := outset(head, w/2)
	near.Max.Y = v.face.Box.Max.Y // above the shoulders
	if near.Intersect(v.bounds).Dx() < w*3/2 {
		return missing(Border)
	}
	face := v.steepness(v.face.Box, image.Rectangle{}, 1, noise)
	ring := v.steepness(near, head, 1, noise)
	far := v.steepness(v.bounds, outset(head, 3*w/2), 6, noise)
	if !face.known() || !ring.known() || !far.known() {
		return missing(Plain)
	}
	over := func(e edgeSteepness) float64 { return math.Log(max(e.most()-1, 0.05)) }
	step := math.Abs(over(face) - over(ring))
	out := over(far) - max(over(face), over(ring))
	f := store.Finding{Values: []float64{face.most(), ring.most(), far.most()}}
	if f.Score = ramp(out-step, math.Log(focusFrom), math.Log(focusPlain)); f.Score > 0 {
		f.Region = outline(near, 1)
	}
	return f
}

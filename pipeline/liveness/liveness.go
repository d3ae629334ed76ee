// Package liveness looks for signs that a face at the bell is a picture of a
// person, printed or on a screen, and not a person.
//
// What comes in are a still and the faces that were found on it ([Examine]),
// and then all frames of a ring ([JudgeRing]). What goes out is a
// [store.Liveness] for each face: findings, each one measured sign with where
// it is, and one level from all of them. No level says that somebody is there:
// a good picture shows no sign.
//
//	still ─▶ grid, bands, halftone   what only prints and screens have
//	     └─▶ detail, focus           what is lost by taking a picture of a picture
//	     └─▶ gamut, cast, glare      what ink, panels and glass do to colours
//	     └─▶ edges, place            a frame round the face; no place for a head
//	ring  ─▶ plane, together, blink, copies
//	archive ▶ repeat                 a still that was there before
//
// Each sign has a file of its own, which says what is measured, under which
// assumptions, and from what source. Its score is 0 where there is no sign and
// 1 where it is plain. The scores are weighed together by a logistic
// regression, whose weights are in weights.json, fitted by `go run
// ./pipeline/liveness/fit`; no weight is negative, so that more of a sign never
// makes a picture less likely.
//
// What could not be looked for is said ([store.Finding.Missing], [store.Liveness.CantTell]):
// it is not a sign, but it counts against suggesting anything.
package liveness

import (
	"image"

	"lintel/store"
)

// The signs, by the code of their findings.
const (
	Grid     = "grid"     // a screen's pixels, or the moiré of them
	Bands    = "bands"    // a screen's refresh
	Halftone = "halftone" // a print's dots
	Detail   = "detail"   // less fine detail on the face than on the rest
	Focus    = "focus"    // face and what is behind it equally sharp
	Gamut    = "gamut"    // few colours and little contrast
	Cast     = "cast"     // another light on the face than on the rest
	Glare    = "glare"    // a reflection on glass or gloss
	Edges    = "edges"    // the edges of paper or a screen, or a hand that holds it
	Place    = "place"    // no place for a person's head
	Plane    = "plane"    // landmarks move as on one plane
	Together = "together" // what is around the face moves with it
	Blink    = "blink"    // the eyes never close; weak
	Copies   = "copies"   // frames that are copies of each other
	Repeat   = "repeat"   // a still that was there before
)

// Why a sign could not be looked for, or what else can't be told.
const (
	Tiny     = "tiny"    // the face is too small
	Dark     = "dark"    // it is too dark
	NoEyes   = "no-eyes" // the eyes could not be made out
	Border   = "border"  // the face is at the border of the still
	NoLens   = "no-lens" // the bell's lens is not known
	OneFrame = "one-frame"
	Sizes    = "sizes" // the frames differ in size
	Still    = "still" // nothing moved
	Plain    = "plain" // nothing around the face to compare with
)

// A sign is one way of telling a picture from a person on one still.
type sign struct {
	code string
	words
	measure func(*view) store.Finding
}

// signs are those of one still, in the order that they are shown in.
var signs = []sign{
	gridSign,
	bandsSign,
	halftoneSign,
	detailSign,
	focusSign,
	gamutSign,
	castSign,
	glareSign,
	edgesSign,
	placeSign,
}

// Examine looks for signs on one still, and sets the Liveness of each face to
// what is found there, judged alone. The lens is nil where it is not known.
func Examine(still image.Image, faces []store.Face, lens *store.Lens) {
	s := newScene(still)
	for i := range faces {
		v := s.view(faces[i], lens)
		l := &store.Liveness{Frames: 1}
		for _, sign := range signs {
			f := sign.measure(v)
			f.Sign = sign.code
			l.Findings = append(l.Findings, tidy(f))
		}
		faces[i].Liveness = l
		judge(l)
	}
}

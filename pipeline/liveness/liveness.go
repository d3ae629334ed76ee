// Package liveness looks for signs that a face at the bell is a picture of a
// person, printed or on a screen, and not a person.
//
//	look := liveness.New(nets)          // nil where the networks' files are not there
//	look.Examine(still, faces)          // each still, as it comes
//	liveness.JudgeRing(frames)          // then all frames of a ring together
//
// What comes in are a still and the faces that were found on it, and then all
// frames of a ring. What goes out is a [house.Liveness] for each face: findings,
// each one measured sign with where it is, and one level from all of them. No
// level says that somebody is there: a good picture shows no sign.
//
//	still ─▶ network   what two trained networks take it for
//	     └─▶ edges     a frame round the face, a hand that holds it
//	     └─▶ detail    what is lost by taking a picture of a picture
//	ring  ─▶ copies    frames that are copies of each other
//	archive ▶ repeat   a still that was there before
//
// Each sign has a file of its own, which says what is measured, under which
// assumptions, and from what source. The signs are weighed together by a
// logistic regression, whose weights are in weights.json, fitted to real
// photographs by `go run ./internal/fit`; no weight is negative, so
// that more of a sign never makes a picture less likely. A sign that told
// nothing on real photographs has been taken out (MEASUREMENTS.md).
//
// What could not be looked for is said ([house.Finding.Missing], [house.Liveness.CantTell]):
// it is not a sign, but it counts against suggesting anything.
package liveness

import (
	"image"

	"lintel/internal/house"
	"lintel/pipeline/liveness/fasnet"
)

// The signs, by the code of their findings.
const (
	Network = "network" // what two trained networks take the face for
	Edges   = "edges"   // the edges of paper or a screen, or a hand that holds it
	Detail  = "detail"  // less fine detail on the face than on the rest
	Copies  = "copies"  // frames that are copies of each other
	Repeat  = "repeat"  // a still that was there before
)

// Why a sign could not be looked for, or what else can't be told.
const (
	NoNetwork = "no-network" // the networks' model files are not there
	Tiny      = "tiny"       // the face is too small
	Dark      = "dark"       // it is too dark
	NoEyes    = "no-eyes"    // the eyes could not be made out
	Border    = "border"     // the face is at the border of the still
	OneFrame  = "one-frame"
	Sizes     = "sizes" // the frames differ in size
	Plain     = "plain" // nothing around the face to compare with
)

// A sign is one way of telling a picture from a person on one still.
type sign struct {
	code    string
	measure func(*view) house.Finding
}

// signs are those of one still, in the order that they are shown in.
var signs = []sign{
	networkSign,
	edgesSign,
	detailSign,
}

// An Examiner looks for the signs of one still. Several goroutines may use one.
type Examiner struct{ nets *fasnet.Nets }

// New returns an Examiner. The networks are nil where their model files are not
// there: then most pictures pass, and every face says so ([NoNetwork]).
func New(nets *fasnet.Nets) *Examiner { return &Examiner{nets} }

// Examine looks for signs on one still, and sets the Liveness of each face to
// what is found there, judged alone.
func (e *Examiner) Examine(still image.Image, faces []house.Face) {
	s := newScene(still)
	for i := range faces {
		v := s.view(faces[i])
		v.nets = e.nets
		l := &house.Liveness{Frames: 1}
		for _, sign := range signs {
			f := sign.measure(v)
			f.Sign = sign.code
			l.Findings = append(l.Findings, tidy(f))
		}
		faces[i].Liveness = l
		judge(l)
	}
}

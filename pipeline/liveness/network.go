package liveness

import (
	"image"
	"math"

	"lintel/internal/house"
	"lintel/pipeline/liveness/fasnet"
)

// Two small networks that were trained by others on live faces and pictures of
// faces (package fasnet) say what they take a face for. On real photographs
// they tell far more than any sign that can be stated in words; why, nobody can
// say, so what they find is one sign among the others.
//
// The near network looks twice, once at a little less of what is around the
// face: the mean of both looks takes fewer persons for pictures. The mean of
// both networks' log-odds is what counts.
//
// The networks were trained on faces as another detector draws them. On 1157
// faces its boxes were, at the median, 1.06 times as wide and 1.10 times as high
// as dlib's, about the same middle (MEASUREMENTS.md).
//
// Values: the log-odds of a picture, -6 to 6, and the share of a live person by
// the near and by the wide network, 0 to 1.
var networkSign = sign{
	code:    Network,
	measure: measureNetwork,
}

const (
	// widerBox and higherBox make dlib's box one of those the networks know.
	widerBox, higherBox = 1.06, 1.10
	// nearer is what the box is made of for the near network's second look.
	nearer = 0.85
	// networkTiny is the least width of a face, in pixels, below which a crop
	// of 80 pixels is mostly made up.
	networkTiny = 32
	// surest bounds the log-odds of each look.
	surest = 6
)

func measureNetwork(v *view) house.Finding {
	switch {
	case v.face.Box.Dx() < networkTiny:
		return missing(Tiny)
	case !middleOn(v.face.Box, v.bounds):
		return missing(Border)
	case v.nets == nil:
		return missing(NoNetwork)
	}
	box := sized(v.face.Box, widerBox, higherBox)
	closer := sized(v.face.Box, nearer*widerBox, nearer*higherBox)
	near, err := v.nets.Near.Look(v.still, box)
	if err != nil {
		return missing(Border) // nothing of the face is on the still
	}
	again, err := v.nets.Near.Look(v.still, closer)
	if err != nil {
		return missing(Border)
	}
	wide, err := v.nets.Wide.Look(v.still, box)
	if err != nil {
		return missing(Border)
	}
	odds := min(max(((pictureOdds(near)+pictureOdds(again))/2+pictureOdds(wide))/2, -surest), surest)
	f := house.Finding{Values: []float64{odds, near.Classes()[fasnet.Live], wide.Classes()[fasnet.Live]}}
	if f.Score = ramp(odds, 0, surest); f.Score > 0 {
		f.Region = outline(v.face.Box, 1)
	}
	return f
}

// pictureOdds returns the log-odds of the classes that are pictures. The bound
// keeps a network that is beside itself from outvoting the other.
func pictureOdds(l fasnet.Logits) float64 {
	live := min(max(l.Classes()[fasnet.Live], 1e-6), 1-1e-6)
	return math.Log((1 - live) / live)
}

// middleOn reports whether the middle of a box is on the still.
func middleOn(box, still image.Rectangle) bool {
	return box.Min.Add(box.Max).Div(2).In(still)
}

// middle is that of a box.
func middle(r image.Rectangle) house.Point {
	return house.Point{X: float64(r.Min.X+r.Max.X) / 2, Y: float64(r.Min.Y+r.Max.Y) / 2}
}

// value is one of a finding's, 0 if there are fewer.
func value(f house.Finding, i int) float64 {
	if i >= len(f.Values) {
		return 0
	}
	return f.Values[i]
}

// sized is a box about the same middle, so many times as wide and as high.
func sized(box image.Rectangle, wide, high float64) image.Rectangle {
	m := middle(box)
	w, h := float64(box.Dx())*wide/2, float64(box.Dy())*high/2
	round := func(v float64) int { return int(math.Round(v)) }
	return image.Rect(round(m.X-w), round(m.Y-h), round(m.X+w), round(m.Y+h))
}

package liveness

import (
	"fmt"
	"image"
	"math"

	"lintel/store"
)

// Place: where a face would be if it were a person's.
//
// The lens gives each eye a line of sight. The angle between the two, and the
// distance between a person's eyes, give how far away the face is; how far the
// lines look up or down gives how high over the ground its eyes are. A picture
// has no reason to keep to that: held up before the bell it is too near, and
// taped, hung or held above the head it is somewhere no head can be.
//
// Nothing of it is known exactly, so what is asked is whether any person could
// be there. Taken in are
//
//   - eyes from 40 mm apart, a small child's, to 78. Dodgson, Variation and
//     extrema of human interpupillary distance (Proc. SPIE 5291, 2004), from
//     memory: 63.36 mm in the mean of 3976 adults, standard deviation 3.83, 52
//     to 78, in the survey of the US Army of 1988; most adults 50 to 75, and
//     children down to 40;
//   - a pixel of error at either eye;
//   - a face that is turned by 20 degrees more or less than its nose says;
//   - a tenth of the distance, for what a lens bends, 2 degrees of tilt, and a
//     tenth of a metre of height, for a step or uneven ground.
//
// Eyes may be from 0.6 m over the ground, as of a child in a pushchair or one
// that just walks, to 2.1 m, as of somebody taller than 2.2 m or a child on
// shoulders. Who sits in a wheelchair (about 1.2 m), stoops, or stands there at
// ten is well inside. Common practice, no source.
//
// What it can't see: a picture about as large as a face at about a face's place,
// which is what most are.
var placeSign = sign{
	code:    Place,
	words:   words{name: "No place for a person's head", says: saysPlace},
	measure: measurePlace,
}

const (
	meanEyes   = 0.06336 // metres between an adult's eyes
	spreadEyes = 0.00383 // standard deviation of that
	leastEyes  = 0.040
	mostEyes   = 0.078

	lowestEyes  = 0.6 // metres over the ground
	highestEyes = 2.1
	nearestFace = 0.2 // metres from the bell

	turnError   = 20 * math.Pi / 180 // of a face's yaw
	mostTurned  = 75 * math.Pi / 180 // no eyes are found on a face turned further
	bendError   = 0.1                // of the distance
	tiltError   = 2 * math.Pi / 180
	groundError = 0.1 // metres
	pixelError  = 1.4 // of the span: a pixel at either eye

	// leastSpan is how many pixels have to lie between the eyes, so that an
	// error of a pixel does not outweigh all else.
	leastSpan = 8
)

// measurePlace gives, as values, how far from the bell a grown-up's face of this
// size would be, and how high over the ground its eyes, in metres.
func measurePlace(v *view) store.Finding {
	switch {
	case v.lens == nil || v.lens.Check() != nil:
		return missing(NoLens)
	case !(v.span > 0):
		return missing(NoEyes)
	case v.span < leastSpan:
		return missing(Tiny)
	}
	b, ok := opticsOf(*v.lens, v.bounds.Size()).bearing(v.eyes, v.span, v.face.Landmarks)
	if !ok {
		return missing(Border)
	}
	distance := away(meanEyes*math.Cos(b.turned()), b.apart)
	f := store.Finding{Values: []float64{distance, v.lens.Height - distance*b.down}}
	nearest, farthest := b.distances()
	lowest, highest := b.heights(v.lens.Height, nearest, farthest)
	off := max(lowest-highestEyes, lowestEyes-highest)
	f.Score = max(ramp(off, 0, 0.3), ramp(nearestFace-farthest, 0, 0.1))
	if f.Score > 0 {
		f.Region = outline(v.face.Box, 1)
	}
	return f
}

// turned returns by how much a face is taken to be turned, in radians, 0 or
// more. A face that looks at the bell may read up to 15 degrees, so what is
// less than 10 is nothing, and from 20 on it is what is read.
func (b bearing) turned() float64 {
	turn := math.Abs(b.yaw)
	if math.IsNaN(turn) {
		return 0
	}
	return min(turn, mostTurned) * ramp(turn, radians(10), radians(20))
}

// distances returns between which distances the face of a person would be, in
// metres.
func (b bearing) distances() (nearest, farthest float64) {
	least, most := 0., mostTurned
	if turn := math.Abs(b.yaw); !math.IsNaN(turn) {
		least, most = max(min(turn, mostTurned)-turnError, 0), min(turn+turnError, mostTurned)
	}
	nearest = away(leastEyes*math.Cos(most), min(b.apart+pixelError*b.pixel, math.Pi)) * (1 - bendError)
	farthest = away(mostEyes*math.Cos(least), b.apart-pixelError*b.pixel) * (1 + bendError)
	return nearest, farthest
}

// heights returns between which heights over the ground its eyes would be.
func (b bearing) heights(lens, nearest, farthest float64) (lowest, highest float64) {
	lowest, highest = math.Inf(1), math.Inf(-1)
	for _, distance := range []float64{nearest, farthest} {
		for _, tilt := range []float64{-tiltError, tiltError} {
			height := lens - distance*(b.down+tilt)
			lowest, highest = min(lowest, height-groundError), max(highest, height+groundError)
		}
	}
	return lowest, highest
}

func saysPlace(f store.Finding) string {
	if len(f.Values) < 2 {
		return "This is no place for a person."
	}
	distance, height := f.Values[0], f.Values[1]
	if height >= lowestEyes && height <= highestEyes {
		return fmt.Sprintf("By its size this face is %s from the bell: no person stands that near.", metres(distance))
	}
	where := metres(height) + " above"
	if height < 0 {
		where = metres(-height) + " below"
	}
	return fmt.Sprintf("By its size this face is %s from the bell and its eyes %s the ground: no place for a person.", metres(distance), where)
}

func metres(m float64) string {
	if m < 0.995 {
		return fmt.Sprintf("%.0f cm", 100*m)
	}
	return fmt.Sprintf("%.1f m", m)
}

// FaceAt returns how many pixels wide a grown-up's face would be, in the middle
// of a still so many pixels wide, so many metres away.
func FaceAt(lens store.Lens, stillWidth int, distance float64) float64 {
	o := opticsOf(lens, image.Pt(stillWidth, 0))
	half := math.Atan(meanEyes / 2 / distance)
	if o.straight {
		half = math.Tan(half)
	}
	return boxWidth * 2 * o.focal * half
}

// boxWidth is that of the box around a face, in distances of the eyes: 2.28 in
// the mean of 60 pictures of grown-ups' faces, standard deviation 0.20.
const boxWidth = 2.3

package liveness

import (
	"fmt"
	"math"

	"lintel/store"
)

// A screen has a light of its own, bluer than most (panels are set to 6500 K
// and more; common practice, no source), and paper in another light than the
// picture was taken in has two lights in it. A camera evens out one of them.
//
// Skin of every tone is redder than what lights it: it holds back green and
// blue, by blood and melanin. So there are two measures, both in the logarithm
// of linear light: how much redder the face is than grey, with the still as the
// camera balanced it, and how much redder it is than the mean of the rest of the
// still, which stands for the light there (the grey world of Buchsbaum, Journal
// of the Franklin Institute 310(1), 1980). A face that is pale by both is lit
// otherwise. One that is brighter than the rest too may shine by itself; alone
// that says nothing, as a bell's own lamp does it.
//
// Darker skin is redder still, so that on a picture of it less of this is seen.
//
// It assumes colours: a still by infrared light has none, and nothing is said
// of it. How pale is common practice, no source.
//
// Values: log2 of red to green on the face; log2 of red to blue on the face less
// that of the rest; how many times the face is brighter, in log2.
var castSign = sign{
	code: Cast,
	words: words{
		name: "Another light on the face",
		says: func(f store.Finding) string {
			return fmt.Sprintf("The face is lit by paler or bluer light than what is around it: its red is %.2f of green, where skin has more than 1.3.", math.Exp2(f.Values[0]))
		},
	},
	measure: measureCast,
}

// What is less colourful than colourless is a still by infrared light, in
// distances from grey.
const colourless = 4

func measureCast(v *view) store.Finding {
	z := v.comparedZones()
	if z.why != "" {
		return missing(z.why)
	}
	face, far := z.face, z.far
	if face.chroma(0.9) < colourless && far.chroma(0.9) < colourless {
		return missing(Dark)
	}
	if 2*face.whole < len(face.lumas) || far.whole < zoneLeast { // clipped, so the colours are gone
		return store.Finding{Values: []float64{0, 0, 0}}
	}
	redGreen := logRatio(face.mean[0], face.mean[1])
	redBlue := logRatio(face.mean[0], face.mean[2]) - logRatio(far.mean[0], far.mean[2])
	brighter := logRatio(face.mean[0]+face.mean[1]+face.mean[2], far.mean[0]+far.mean[1]+far.mean[2])
	found := store.Finding{
		Score:  (1 - ramp(redGreen, 0.4, 0.7)) * (1 - ramp(redBlue, 0.5, 1.3)) * (0.6 + 0.4*ramp(brighter, -1, 1)),
		Values: []float64{redGreen, redBlue, brighter},
	}
	if found.Score > 0 {
		found.Region = v.around(1, 0.8, 1.7)
	}
	return found
}

// logRatio is log2 of a to b, both linear light.
func logRatio(a, b float64) float64 { return math.Log2((a + 1e-4) / (b + 1e-4)) }

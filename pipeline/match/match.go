// Package match says who a face probably is.
//
// What comes in is a face's descriptor and the gallery: all enrolled
// descriptors with their persons. What goes out is the nearest person, the
// distance, and how sure that is: the false positive identification rate at
// the gallery's present size, and its band.
//
// # From a distance to a band
//
// A distance alone says little, and less the larger the gallery is: with more
// references to be compared with, a stranger is more likely to be near one of
// them by chance. So a distance is turned into the false match rate (FMR) of
// one comparison, by a table of measured rates, and that into the false
// positive identification rate (FPIR) of a search through N references,
//
//	FPIR = 1 - (1 - FMR)^N
//
// which takes the comparisons for independent; see ISO/IEC 19795-1 for the
// terms. References of one person are alike, so the true rate is lower, and
// the band errs towards doubt.
package match

import (
	"fmt"
	"math"

	"lintel/store"
)

// A Band says how sure a match is, by its FPIR.
type Band string

const (
	Strong Band = "strong" // FPIR of at most 1e-4
	Fair   Band = "fair"   // of at most 1e-3
	Weak   Band = "weak"   // of at most 1e-2
	None   Band = "none"   // above, or no gallery: a stranger
)

// bands are the limits, from the surest down.
var bands = []struct {
	band Band
	fpir float64
}{{Strong, 1e-4}, {Fair, 1e-3}, {Weak, 1e-2}}

// MaxDistance is where no match is named any more, whatever the table says.
// It is below dlib's default of 0.60, at which 1 stranger in 115 passed for
// somebody.
const MaxDistance = 0.58

// rates is the table: the FMR that was measured at a distance, with 204 stills
// of 102 adults and the 5-point predictor (20 604 impostor comparisons; 1 of
// them at 0.45, so that rate is uncertain by a factor of several).
var rates = [2]struct{ distance, fmr float64 }{
	{0.45, 5e-5},
	{0.60, 8.8e-3},
}

// FMR returns the false match rate of one comparison at a threshold of that
// distance: the table's rates, with a straight line through their logarithms
// between and beyond them, and never more than 1.
func FMR(distance float64) float64 {
	a, b := rates[0], rates[1]
	slope := math.Log(b.fmr/a.fmr) / (b.distance - a.distance)
	return min(1, a.fmr*math.Exp(slope*(distance-a.distance)))
}

// FPIR returns the false positive identification rate of a search through n
// references at a threshold of that distance.
func FPIR(distance float64, n int) float64 {
	// Log1p and Expm1 keep what 1 - (1-x)^n loses where x is small.
	return -math.Expm1(float64(n) * math.Log1p(-FMR(distance)))
}

// BandOf returns the band of a match at that distance in a gallery of n.
func BandOf(distance float64, n int) Band {
	if n > 0 && distance < MaxDistance {
		fpir := FPIR(distance, n)
		for _, b := range bands {
			if fpir <= b.fpir {
				return b.band
			}
		}
	}
	return None
}

// Distance returns the Euclidean distance between two descriptors: 0 for the
// same, about 0.3 for one person on two pictures, about 0.8 for two persons.
func Distance(a, b *store.Descriptor) float64 {
	sum := 0.0
	for i := range a {
		d := float64(a[i] - b[i])
		sum += d * d
	}
	return math.Sqrt(sum)
}

// Identify returns the person whose nearest reference is nearest, or nil
// where even that is too far to name anybody.
func Identify(face *store.Descriptor, gallery []store.Reference) *store.Match {
	best := store.Match{Distance: math.Inf(1)}
	for i := range gallery {
		if d := Distance(face, &gallery[i].Descriptor); d < best.Distance {
			best.Person, best.Distance = gallery[i].Person, d
		}
	}
	band := BandOf(best.Distance, len(gallery))
	if band == None {
		return nil
	}
	best.FPIR, best.Band = FPIR(best.Distance, len(gallery)), string(band)
	return &best
}

// Odds says an FPIR as people do: "about 1 stranger in 2 500", two figures of
// which matter. It promises no more than was ever measured, which ends not far
// below 1 in 10 000.
func Odds(fpir float64) string {
	n := 1 / fpir
	if n >= 10_000 {
		return "fewer than 1 stranger in 10\u202f000"
	}
	return "about 1 stranger in " + grouped(n)
}

// grouped writes a count with two figures that matter, and thin spaces.
func grouped(n float64) string {
	s := fmt.Sprintf("%.0f", n)
	for i := 2; i < len(s); i++ {
		s = s[:i] + "0" + s[i+1:]
	}
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "\u202f" + s[i:]
	}
	return s
}

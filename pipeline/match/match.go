// Package match says who a face probably is.
//
//	gallery := match.NewGallery(references, match.Shipped(), match.DefaultPrior)
//	found := gallery.Identify(match.Probe{Descriptor: face.Descriptor, Weight: 1}) // nil for a stranger
//
// What comes in is a face's descriptor, or those of one face on several frames
// of a ring, and the [Gallery]: all enrolled references with their persons.
// What goes out is the nearest person, the distance, and how sure that is: the
// false positive identification rate at the gallery's present size, its band,
// and a probability. The terms are those of ISO/IEC 19795-1.
//
// # From references to a person
//
// A person is as far from a face as all their references say together, not
// only the nearest: the weighted power mean of the distances d, with weights w
// by the references' quality and an exponent of -8,
//
//	(sum of w·d^-8 / sum of w)^(-1/8)
//
// It leans to the nearest reference, since somebody may be enrolled with and
// without glasses, but one poor reference that happens to be near does not
// decide. Several frames of one face count by the mean of the person's
// distance on each, weighted by the frames' quality. Two faces of a ring are
// taken for one person where their descriptors are nearer than [SameFace].
//
// # From a distance to a band
//
// A distance alone says little, and less the larger the gallery is. A [Curve]
// turns it into the false match rate (FMR) of one comparison; below what was
// ever observed, by a fitted tail (fit_test.go says how). Then comes the false
// positive identification rate (FPIR) of a search through the gallery,
//
//	FPIR = 1 - (1 - FMR)^M
//
// where M is the effective number of references: see [Size.Effective]. Its
// band follows.
//
// Who rings mostly shares sex, descent and age with who lives there, and such
// persons are taken for each other many times as often as any two are: a
// demographic differential, as ISO/IEC 19795-10 calls it. So the curve comes from
// comparisons within groups, and at every distance it is the worst group's; and
// since few persons can't show small rates, it is the upper end of what is likely,
// not the estimate.
//
// The rates are of portraits of adults, taken in one session; twins, years, children,
// make-up and a stranger who means to look like somebody are not in them.
// MEASUREMENTS.md beside this file has the figures.
//
// # To a probability
//
// The curve's likelihood ratio and a prior, how often a known person rings,
// make a probability for each person: see [Curve.Posterior].
//
// The curve follows the household's own strangers too, from the first one that
// somebody answered for: see [Curve.Adapt].
package match

import (
	"math"

	"lintel/internal/house"
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

// MaxDistance is where no match is named any more, whatever a curve says. It is
// below dlib's default of 0.60, at which among some groups of the open set 1
// comparison of two persons in 3 was a match.
const MaxDistance = 0.50

// FMR returns the false match rate of one comparison at a threshold of that
// distance, by the shipped curve.
func FMR(distance float64) float64 { return Shipped().FMR(distance) }

// FPIR returns the false positive identification rate of a search through n
// references, each of another person, at a threshold of that distance, by the
// shipped curve. A [Gallery] knows its own.
func FPIR(distance float64, n int) float64 { return Shipped().FPIR(distance, Size{n, n}) }

// BandOf returns the band of a match at that distance in a gallery of n
// references, each of another person, by the shipped curve.
func BandOf(distance float64, n int) Band { return Shipped().BandOf(distance, Size{n, n}) }

// A Size is how large a gallery is: N references of P persons.
type Size struct{ References, Persons int }

// alike is how the effective number of a person's references grows with their
// number: as its power. It is 0 where they are all as one, and 1 where each is
// as good as another person's. By the fused distance a stranger is hardly nearer
// to somebody with several references than with one, in what was measured
// (MEASUREMENTS.md); 0.35 leaves room for doubt.
const alike = 0.35

// Effective returns the effective number of references, with which a search
// errs as often as through so many persons with one reference each:
//
//	P·(N/P)^0.35
//
// References of one person are alike, and their distances are fused, so each
// further one adds less. It grows with N and with P, and lies between P and N.
func (s Size) Effective() float64 {
	if s.Persons <= 0 {
		return 0
	}
	each := max(1, float64(s.References)/float64(s.Persons))
	return float64(s.Persons) * math.Pow(each, alike)
}

// FPIR returns the false positive identification rate of a search through a
// gallery at a threshold of that distance: how often a stranger would be given
// a name. It takes persons for independent, which errs towards doubt.
func (c *Curve) FPIR(distance float64, size Size) float64 {
	return identification(c.FMR(distance), size)
}

// identification turns the FMR of a comparison into the FPIR of a search.
func identification(fmr float64, size Size) float64 {
	effective := size.Effective()
	if effective == 0 {
		return 0 // nobody can be named
	}
	// Log1p and Expm1 keep what 1 - (1-x)^n loses where x is small.
	return -math.Expm1(effective * math.Log1p(-fmr))
}

// BandOf returns the band of a match at that distance.
func (c *Curve) BandOf(distance float64, size Size) Band {
	if size.Persons > 0 && distance < MaxDistance {
		fpir := c.FPIR(distance, size)
		for _, b := range bands {
			if fpir <= b.fpir {
				return b.band
			}
		}
	}
	return None
}

// Threshold returns the largest distance at which the FPIR is at most fpir,
// which is above 0 and below 1, and a name is still given: at most
// [MaxDistance]. It is 0 where there is none, and for an empty gallery.
func (c *Curve) Threshold(fpir float64, size Size) float64 {
	effective := size.Effective()
	if effective == 0 {
		return 0
	}
	return min(MaxDistance, c.DistanceAt(-math.Expm1(math.Log1p(-fpir)/effective)))
}

// Limit returns the band's largest FPIR; 1 for None.
func (b Band) Limit() float64 {
	for _, one := range bands {
		if one.band == b {
			return one.fpir
		}
	}
	return 1
}

// Distance returns the Euclidean distance between two descriptors: 0 for the
// same, about 0.3 for one person on two pictures, about 0.8 for two persons.
func Distance(a, b *house.Descriptor) float64 {
	sum := 0.0
	for i := range a {
		d := float64(a[i] - b[i])
		sum += d * d
	}
	return math.Sqrt(sum)
}

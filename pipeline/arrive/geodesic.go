package arrive

import (
	"errors"
	"math"
)

// The ellipsoid of WGS 84, which satellite positions are given on: the
// equatorial radius in metres, the flattening, and the polar radius.
const (
	equatorial = 6378137.0
	flattening = 1 / 298.257223563
	polar      = equatorial * (1 - flattening)
)

// ErrAntipodal says that two points lie almost opposite each other on the
// Earth, where the shortest way between them can't be worked out here. It is of
// no matter near a home.
var ErrAntipodal = errors.New("the points lie almost opposite each other on the Earth")

// distance returns how far two points are from each other along the ellipsoid,
// in metres; latitudes and longitudes are in degrees, within 90 and 180.
//
// It is the inverse formula of T. Vincenty, Direct and inverse solutions of
// geodesics on the ellipsoid with application of nested equations, Survey
// Review 23 (176), 1975, good to half a millimetre. It goes nearer and nearer
// to the difference of longitudes on an auxiliary sphere, and comes to no end
// for points that are nearly antipodal: for those the error is [ErrAntipodal].
func distance(lat1, lon1, lat2, lon2 float64) (float64, error) {
	const steps = 100 // 3 or 4 are enough near a home
	apart := math.Remainder(lon2-lon1, 360) * math.Pi / 180
	sin1, cos1 := reduced(lat1)
	sin2, cos2 := reduced(lat2)
	lambda := apart
	for range steps {
		sinLambda, cosLambda := math.Sincos(lambda)
		sinSigma := math.Hypot(cos2*sinLambda, cos1*sin2-sin1*cos2*cosLambda)
		if sinSigma == 0 && cosLambda > 0 {
			return 0, nil // one and the same point
		}
		cosSigma := sin1*sin2 + cos1*cos2*cosLambda
		sigma := math.Atan2(sinSigma, cosSigma)
		sinAlpha := cos1 * cos2 * sinLambda / sinSigma
		cos2Alpha := 1 - sinAlpha*sinAlpha
		cosMiddle := 0.0 // along the equator, where cos2Alpha is 0
		if cos2Alpha > 0 {
			cosMiddle = cosSigma - 2*sin1*sin2/cos2Alpha
		}
		c := flattening / 16 * cos2Alpha * (4 + flattening*(4-3*cos2Alpha))
		before := lambda
		lambda = apart + (1-c)*flattening*sinAlpha*(sigma+c*sinSigma*(cosMiddle+c*cosSigma*(2*cosMiddle*cosMiddle-1)))
		if math.IsNaN(lambda) || math.Abs(lambda) > math.Pi {
			break
		}
		if math.Abs(lambda-before) > 1e-12 { // 6 micrometres
			continue
		}
		u2 := cos2Alpha * (equatorial*equatorial - polar*polar) / (polar * polar)
		a := 1 + u2/16384*(4096+u2*(-768+u2*(320-175*u2)))
		b := u2 / 1024 * (256 + u2*(-128+u2*(74-47*u2)))
		deltaSigma := b * sinSigma * (cosMiddle + b/4*(cosSigma*(2*cosMiddle*cosMiddle-1)-
			b/6*cosMiddle*(4*sinSigma*sinSigma-3)*(4*cosMiddle*cosMiddle-3)))
		return polar * a * (sigma - deltaSigma), nil
	}
	return 0, ErrAntipodal
}

// reduced returns sine and cosine of the reduced latitude, that on the
// auxiliary sphere, of a geographic one in degrees.
func reduced(lat float64) (sin, cos float64) {
	sin, cos = math.Sincos(lat * math.Pi / 180)
	sin *= 1 - flattening
	norm := math.Hypot(sin, cos)
	return sin / norm, cos / norm
}

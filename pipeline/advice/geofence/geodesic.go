package geofence

import "math"

// meanRadius is the Earth's, in metres: a third of two equatorial radii and the
// polar one of WGS 84, which satellite positions are given on.
const meanRadius = (2*6378137.0 + 6356752.3) / 3

// distance returns how far two points are from each other along a sphere as
// large as the Earth, in metres; latitudes and longitudes are in degrees, within
// 90 and 180.
//
// It is the haversine formula, which loses no digits of short distances (R. W.
// Sinnott, Virtues of the haversine, Sky and Telescope 68, 1984; from memory).
// The Earth is flattened, so the way is up to 0.57 % longer or shorter than
// along its ellipsoid: most along a meridian at the equator, whose radius of
// curvature is a(1-e²) = 6335439 m. [Margin] leaves room for that.
func distance(lat1, lon1, lat2, lon2 float64) float64 {
	const degree = math.Pi / 180
	up := math.Sin((lat2 - lat1) * degree / 2)
	across := math.Sin((lon2 - lon1) * degree / 2)
	h := up*up + math.Cos(lat1*degree)*math.Cos(lat2*degree)*across*across
	return 2 * meanRadius * math.Asin(math.Sqrt(min(h, 1))) // rounding may pass 1 for opposite points
}

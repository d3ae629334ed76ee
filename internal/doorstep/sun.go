package doorstep

import (
	"math"
	"time"

	"lintel/internal/doorstep/raster"
)

const (
	latitude = 50.0 // degrees north, of the invented household
	radian   = math.Pi / 180
)

// facing is the point of the compass towards which a door's camera looks, in degrees from
// north by east: at both doors it has the sun behind it, and visitors have it before them.
var facing = [...]float64{Front: 345, Garden: 330}

// sunAt says where the sun stands, in degrees: above the horizon, and along it from north by east.
// By the low-precision formulas of the Astronomical Almanac (page C5, "low precision
// formulas for the Sun's coordinates"), good to 0.01 degrees; without refraction.
func sunAt(at time.Time, latitude, longitude float64) (elevation, azimuth float64) {
	days := at.Sub(time.Date(2000, time.January, 1, 12, 0, 0, 0, time.UTC)).Hours() / 24
	anomaly := (357.528 + 0.9856003*days) * radian
	ecliptic := (280.460 + 0.9856474*days + 1.915*math.Sin(anomaly) + 0.020*math.Sin(2*anomaly)) * radian
	tilt := (23.439 - 0.0000004*days) * radian
	ascension := math.Atan2(math.Cos(tilt)*math.Sin(ecliptic), math.Cos(ecliptic))
	declination := math.Asin(math.Sin(tilt) * math.Sin(ecliptic))
	sidereal := (280.46061837 + 360.98564736629*days + longitude) * radian
	hour := sidereal - ascension
	sl, cl := math.Sincos(latitude * radian)
	sd, cd := math.Sincos(declination)
	elevation = math.Asin(sl*sd+cl*cd*math.Cos(hour)) / radian
	azimuth = math.Atan2(-cd*math.Sin(hour), sd*cl-cd*math.Cos(hour)*sl) / radian
	return elevation, math.Mod(azimuth+360, 360)
}

// sunBefore is where the sun stands at a door, as a direction in the lens's space. The household's
// clock is right for where it lives: an hour of its zone is 15 degrees.
func sunBefore(d Door, at time.Time) raster.Vec {
	_, zone := at.Zone()
	elevation, azimuth := sunAt(at, latitude, float64(zone)/3600*15)
	se, ce := math.Sincos(elevation * radian)
	sa, ca := math.Sincos((azimuth - facing[d]) * radian)
	return raster.Vec{sa * ce, se, ca * ce}
}

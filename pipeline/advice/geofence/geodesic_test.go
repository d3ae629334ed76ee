package geofence

import (
	"math"
	"math/rand/v2"
	"testing"

	"lintel/internal/python"
)

// worstError is the largest part of a distance that a sphere may be off by.
const worstError = 0.0057

// dms turns degrees, minutes and seconds into degrees.
func dms(d, m, s float64) float64 { return d + m/60 + s/3600 }

// Outside: the worked example of the Geocentric Datum of Australia technical
// manual, Flinders Peak to Buninyong, 54972.271 m along the ellipsoid (from
// memory).
func TestDistanceOfTheHandbook(t *testing.T) {
	got := distance(
		-dms(37, 57, 3.72030), dms(144, 25, 29.52440),
		-dms(37, 39, 10.15610), dms(143, 55, 35.38390))
	if math.Abs(got-54972.271) > worstError*54972.271 {
		t.Errorf("Flinders Peak to Buninyong = %.1f m, want 54972.3 within 0.57 %%", got)
	}
}

// Outside: a quarter of a meridian, 10001965.7 m along WGS 84's ellipsoid (a
// figure of the handbooks, from memory), and points that are opposite each
// other, half round the sphere.
func TestDistanceOfFarPoints(t *testing.T) {
	half := math.Pi * meanRadius
	for _, c := range []struct{ lat1, lon1, lat2, lon2, want, within float64 }{
		{0, 7, 90, 7, 10001965.7, worstError * 10001965.7},
		{0, 0, 0, 180, half, 1},
		{30, 0, -30, 180, half, 1},
		{90, 5, -90, 77, half, 1},
		{12.345, 67.89, -12.345, -112.11, half, 1},
		{0, -180, 0, 180, 0, 1e-6},
		{52, 179.9999, 52, -179.9999, 13.69, 0.08}, // a circle of latitude: 0.0002 of 360 degrees, times 2πR cos 52°
	} {
		if got := distance(c.lat1, c.lon1, c.lat2, c.lon2); !(math.Abs(got-c.want) <= c.within) {
			t.Errorf("%+v: %v m", c, got)
		}
	}
}

type pair struct{ Lat1, Lon1, Lat2, Lon2 float64 }

// TestDistanceAgainstGeographicLib shows what Margin's comment says: how far
// off a sphere is, anywhere, and at the edges of the largest home.
//
// Outside: GeographicLib (C. F. F. Karney, Algorithms for geodesics, Journal of
// Geodesy 87, 2013), good to nanometres, on pairs all over the Earth and on ones
// as far apart as a home and a phone near it.
func TestDistanceAgainstGeographicLib(t *testing.T) {
	r := rand.New(rand.NewPCG(14, 1))
	anywhere := func() (lat, lon float64) {
		return math.Asin(2*r.Float64()-1) * 180 / math.Pi, 360*r.Float64() - 180
	}
	var pairs []pair
	for range 2000 {
		lat1, lon1 := anywhere()
		lat2, lon2 := anywhere()
		pairs = append(pairs, pair{lat1, lon1, lat2, lon2})
	}
	// From homes at every latitude in 16 directions, out to the farthest edge.
	for lat := -90.0; lat <= 90; lat += 2 {
		for i := range 16 {
			north, east := math.Sincos(float64(i) * math.Pi / 8)
			for _, metres := range []float64{1, mostRadius, mostRadius + Margin + Vague} {
				up := metres / 111_000 * north
				across := metres / 111_000 * east / math.Cos(min(math.Abs(lat), 89)*math.Pi/180)
				pairs = append(pairs, pair{lat, 10, max(-90, min(90, lat+up)), 10 + across})
			}
		}
	}
	var answer []float64
	python.Ask(t, "geographiclib", `
import json, sys
from geographiclib.geodesic import Geodesic
json.dump([Geodesic.WGS84.Inverse(p["Lat1"], p["Lon1"], p["Lat2"], p["Lon2"], Geodesic.DISTANCE)["s12"]
           for p in json.load(sys.stdin)], sys.stdout)`, pairs, &answer)
	var part, edge, inside float64
	for i, p := range pairs {
		off := math.Abs(distance(p.Lat1, p.Lon1, p.Lat2, p.Lon2) - answer[i])
		part = max(part, off/max(answer[i], 1e-9))
		if answer[i] < 1.02*(mostRadius+Margin+Vague) {
			edge = max(edge, off)
		}
		if answer[i] < 1.02*mostRadius {
			inside = max(inside, off)
		}
	}
	t.Logf("%d pairs: at most %.3f %% off; %.2f m at the edge of outside, %.2f m at that of inside", len(pairs),
		100*part, edge, inside)
	if !(part <= worstError) || edge > Margin/5 {
		t.Errorf("%.3f %% off, want %.2f at most; %.1f m at the edge, want a fifth of %g", 100*part, 100*worstError, edge,
			Margin)
	}
}

// TestOppositeReport has a phone say that it is where no shortest way leads to:
// it is far away, and nothing more.
func TestOppositeReport(t *testing.T) {
	r := Report{Latitude: -home.Latitude, Longitude: home.Longitude - 180, Accuracy: 10, At: noon}
	next, err := Step(State{}, r, home, noon)
	if err != nil || next.Stands != (Arrival{}) || next.Trip.Outside != 1 {
		t.Errorf("%+v, %v; want one report from outside", next, err)
	}
}

// FuzzDistance checks that there is a number, and the same both ways.
func FuzzDistance(f *testing.F) {
	f.Add(0.0, 0.0, 0.0, 180.0)
	f.Add(52.0, 13.0, 52.0001, 13.0)
	f.Add(90.0, 0.0, -90.0, 0.0)
	f.Fuzz(func(t *testing.T, lat1, lon1, lat2, lon2 float64) {
		if !onEarth(lat1, lon1) || !onEarth(lat2, lon2) {
			t.Skip()
		}
		there, back := distance(lat1, lon1, lat2, lon2), distance(lat2, lon2, lat1, lon1)
		if !(there >= 0 && there <= math.Pi*meanRadius) {
			t.Errorf("%v m", there)
		}
		if math.Abs(there-back) > 1e-3 {
			t.Errorf("%v m there, %v m back", there, back)
		}
	})
}

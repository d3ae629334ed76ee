package arrive

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"lintel/internal/python"
)

// dms turns degrees, minutes and seconds into degrees.
func dms(d, m, s float64) float64 { return d + m/60 + s/3600 }

// Outside: the worked example of the Geocentric Datum of Australia technical
// manual, Flinders Peak to Buninyong (from memory). It is on GRS 80, whose
// flattening differs from WGS 84's by 5e-9 of itself, which is a micrometre or
// less here: the table is good to half a millimetre.
func TestDistanceOfTheHandbook(t *testing.T) {
	got, err := distance(
		-dms(37, 57, 3.72030), dms(144, 25, 29.52440),
		-dms(37, 39, 10.15610), dms(143, 55, 35.38390))
	if err != nil || math.Abs(got-54972.271) > 0.0005 {
		t.Errorf("Flinders Peak to Buninyong = %.4f m, %v, want 54972.271", got, err)
	}
}

type pair struct{ Lat1, Lon1, Lat2, Lon2 float64 }

func (p pair) distance() (float64, error) { return distance(p.Lat1, p.Lon1, p.Lat2, p.Lon2) }

// Outside: GeographicLib (C. F. F. Karney, Algorithms for geodesics, Journal of
// Geodesy 87, 2013), good to nanometres, on random pairs all over the Earth and
// on ones as far apart as a home and a phone near it.
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
	for i := range 2000 {
		lat1, lon1 := anywhere()
		reach := math.Pow(10, float64(i%7)-6) // degrees: from 0.1 m to 100 km
		lat2 := max(-90, min(90, lat1+reach*r.NormFloat64()))
		pairs = append(pairs, pair{lat1, lon1, lat2, math.Remainder(lon1+reach*r.NormFloat64(), 360)})
	}
	pairs = append(pairs,
		pair{0, 0, 0, 1}, pair{0, 10, 0, 10}, pair{90, 0, 89.999, 70}, pair{90, 0, 90, 180}, pair{-90, 5, 90, 5},
		pair{52, 180, 52, -180}, pair{10, 179.9999, 10, -179.9999}, pair{0, -180, 0, 180})
	// Geographic latitudes and longitudes of opposite places, and near them.
	for range 1000 {
		lat, lon := anywhere()
		pairs = append(pairs, pair{lat, lon,
			max(-90, min(90, -lat+r.NormFloat64()/2)), math.Remainder(lon+180+r.NormFloat64()/2, 360)})
	}
	var answer []float64
	python.Ask(t, "geographiclib", `
import json, sys
from geographiclib.geodesic import Geodesic
json.dump([Geodesic.WGS84.Inverse(p["Lat1"], p["Lon1"], p["Lat2"], p["Lon2"], Geodesic.DISTANCE)["s12"]
           for p in json.load(sys.stdin)], sys.stdout)`, pairs, &answer)
	worst, unknown := 0.0, 0
	for i, p := range pairs {
		got, err := p.distance()
		if err != nil {
			unknown++
			if !errors.Is(err, ErrAntipodal) || answer[i] < 19.9e6 {
				t.Errorf("%+v, %.0f m apart: %v", p, answer[i], err)
			}
			continue
		}
		worst = max(worst, math.Abs(got-answer[i]))
		if !(math.Abs(got-answer[i]) <= 0.001) {
			t.Errorf("%+v: %.5f m, want %.5f", p, got, answer[i])
		}
	}
	t.Logf("%d pairs, at most %.2g m off; %d too near opposite", len(pairs)-unknown, worst, unknown)
}

func TestAntipodal(t *testing.T) {
	for _, p := range []pair{{0, 0, 0, 180}, {0, 0, 0.5, 179.7}, {30, 0, -30, 180}, {0, 0, 0, 179.9}} {
		if got, err := p.distance(); !errors.Is(err, ErrAntipodal) {
			t.Errorf("%+v: %v, %v, want %v", p, got, err, ErrAntipodal)
		}
	}
	if got, err := distance(math.NaN(), 0, 0, 0); err == nil {
		t.Errorf("a latitude that is no number is %v m away", got)
	}
}

// FuzzDistance checks that there is an end, a number, and the same both ways.
func FuzzDistance(f *testing.F) {
	f.Add(0.0, 0.0, 0.0, 180.0)
	f.Add(52.0, 13.0, 52.0001, 13.0)
	f.Add(90.0, 0.0, -90.0, 0.0)
	f.Fuzz(func(t *testing.T, lat1, lon1, lat2, lon2 float64) {
		if !onEarth(lat1, lon1) || !onEarth(lat2, lon2) {
			t.Skip()
		}
		there, err := distance(lat1, lon1, lat2, lon2)
		back, err2 := distance(lat2, lon2, lat1, lon1)
		if err != nil || err2 != nil {
			return
		}
		if !(there >= 0 && there < 20_003_932) { // half a meridian, rounded up
			t.Errorf("%v m", there)
		}
		if math.Abs(there-back) > 1e-3 {
			t.Errorf("%v m there, %v m back", there, back)
		}
	})
}

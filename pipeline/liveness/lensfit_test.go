package liveness

import (
	"errors"
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"lintel/store"
)

// simulated lets helpers stand before a lens, with eyes, build, posture and
// landmarks as uncertain as FitLens takes them to be. Each number is drawn, and
// nothing is shared with the code that fits but the constants.
func simulated(r *rand.Rand, lens store.Lens, helpers, faces int) (all []Helper) {
	for range helpers {
		h := Helper{Height: 1.55 + .35*r.Float64()}
		eyes, build := meanEyes+spreadEyes*r.NormFloat64(), buildError*r.NormFloat64()
		for i := 0; len(h.Seen) < faces; i++ {
			angle := (r.Float64() - .5) * lens.Angle * math.Pi / 180 * .7
			away := .5 + 1.7*float64(len(h.Seen)+1)*r.Float64()/float64(faces)
			s := stander{away * math.Sin(angle), away * math.Cos(angle), eyesOfHeight*h.Height + build + postureError*r.NormFloat64(), eyes, 10 * r.NormFloat64()}
			landmarks := s.landmarks(lens, size)
			on := true
			for i := range landmarks {
				landmarks[i].X += .7 * r.NormFloat64()
				landmarks[i].Y += .7 * r.NormFloat64()
				on = on && landmarks[i].Round().In(image.Rectangle{Max: size})
			}
			if on || i > 200 {
				h.Seen = append(h.Seen, Seen{landmarks, size})
			}
		}
		all = append(all, h)
	}
	return all
}

// What is worked out lies within three of its standard errors, nearly always,
// and the errors are as large as is said: their root mean square is about 1 in
// units of them. What is not worked out is refused.
func TestFitLensRecovers(t *testing.T) {
	withoutRaces(t)
	for _, test := range []struct {
		name           string
		lens           store.Lens
		unknown        Unknown
		helpers, faces int
		refused        int // of 100, at the most
	}{
		{"the tilt by one face", store.Lens{Angle: 100, Projection: store.Straight, Height: 1.4, Tilt: 5}, Unknown{Tilt: true}, 1, 1, 10},
		{"the height by one face", store.Lens{Angle: 160, Projection: store.Equidistant, Height: 1.2, Tilt: -12}, Unknown{Height: true}, 1, 1, 10},
		{"height and tilt", store.Lens{Angle: 110, Projection: store.Straight, Height: 1.3, Tilt: -8}, Unknown{Height: true, Tilt: true}, 1, 6, 20},
		{"height and tilt of a wide lens, by two", store.Lens{Angle: 170, Projection: store.Equidistant, Height: 1.5, Tilt: 10}, Unknown{Height: true, Tilt: true}, 2, 5, 20},
		{"the angle of a lens that looks down", store.Lens{Angle: 90, Projection: store.Straight, Height: 2.3, Tilt: 30}, Unknown{Angle: true}, 1, 5, 20},
		{"angle and height of one that looks down", store.Lens{Angle: 90, Projection: store.Straight, Height: 2.4, Tilt: 30}, Unknown{Angle: true, Height: true}, 2, 8, 60},
	} {
		t.Run(test.name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(3, 3))
			var sum, n, wild, refused float64
			for range 100 {
				known := test.unknown.fill(test.lens, store.Lens{Angle: -1, Height: -1, Tilt: 999}) // what is unknown is not looked at
				fit, err := FitLens(known, test.unknown, simulated(r, test.lens, test.helpers, test.faces))
				if err != nil {
					if !errors.Is(err, ErrAlikeFaces) && !errors.Is(err, ErrNoFit) && !errors.Is(err, ErrFewFaces) {
						t.Fatal(err)
					}
					refused++
					continue
				}
				if err := fit.Lens.Check(); err != nil || test.unknown.fill(fit.Lens, test.lens) != test.lens {
					t.Fatalf("fitted %+v: %v", fit, err)
				}
				for _, v := range []struct{ got, want, sigma float64 }{{fit.Lens.Angle, test.lens.Angle, fit.Angle},
					{fit.Lens.Height, test.lens.Height, fit.Height}, {fit.Lens.Tilt, test.lens.Tilt, fit.Tilt}} {
					if v.sigma == 0 {
						continue
					}
					off := (v.got - v.want) / v.sigma
					sum += off * off
					n++
					if math.Abs(off) > 3 {
						wild++
					}
				}
			}
			rms := math.Sqrt(sum / n)
			t.Logf("%v of 100 refused; errors %.2f standard errors, %v of %v beyond three", refused, rms, wild, n)
			if refused > float64(test.refused) || !(rms > .5 && rms < 1.4) || wild > .03*n {
				t.Errorf("%v of 100 refused; errors %.2f standard errors, %v of %v beyond three", refused, rms, wild, n)
			}
		})
	}
}

// Without errors, what comes out is what went in.
func TestFitLensExactly(t *testing.T) {
	for _, lens := range []store.Lens{{Angle: 100, Projection: store.Straight, Height: 2.2, Tilt: 25}, {Angle: 170, Projection: store.Equidistant, Height: 1.1, Tilt: -20}} {
		h := Helper{Height: 1.7}
		for _, at := range [][2]float64{{0, .8}, {.2, 1.2}, {-.5, 1.7}, {.6, 2.2}} {
			// The line between the eyes lies across the line of sight.
			h.Seen = append(h.Seen, Seen{stander{at[0], at[1], eyesOfHeight * 1.7, meanEyes, 0}.landmarks(lens, size), size})
		}
		fit, err := FitLens(lens, Unknown{Height: true, Tilt: true}, []Helper{h})
		if err != nil {
			t.Errorf("%+v: %v", lens, err)
			continue
		}
		if math.Abs(fit.Lens.Height-lens.Height) > .02 || math.Abs(fit.Lens.Tilt-lens.Tilt) > .7 || fit.Faces != 4 || fit.Angle != 0 {
			t.Errorf("%+v was fitted as %+v", lens, fit)
		}
	}
}

func TestFitLensRefuses(t *testing.T) {
	lens := store.Lens{Angle: 100, Projection: store.Straight, Height: 1.4}
	at := func(aside, ahead, yaw float64) Seen {
		return Seen{stander{aside, ahead, eyesOfHeight * 1.7, meanEyes, yaw}.landmarks(lens, size), size}
	}
	one, far := at(0, 1, 0), at(.3, 1.8, 0)
	all := Unknown{true, true, true}
	with := func(change func(*store.Lens)) store.Lens {
		l := lens
		change(&l)
		return l
	}
	for _, test := range []struct {
		what    string
		lens    store.Lens
		unknown Unknown
		helper  Helper
		want    error
	}{
		{"nothing unknown", lens, Unknown{}, Helper{1.7, []Seen{one}}, ErrNothingUnknown},
		{"a bad lens", with(func(l *store.Lens) { l.Angle = 190 }), Unknown{Tilt: true}, Helper{1.7, []Seen{one}}, store.ErrBadLens},
		{"no projection", with(func(l *store.Lens) { l.Projection = "" }), Unknown{Tilt: true}, Helper{1.7, []Seen{one}}, store.ErrBadLens},
		{"a giant", lens, Unknown{Tilt: true}, Helper{17, []Seen{one}}, ErrBadHeight},
		{"no number", lens, Unknown{Tilt: true}, Helper{math.NaN(), []Seen{one}}, ErrBadHeight},
		{"no face", lens, Unknown{Tilt: true}, Helper{1.7, nil}, ErrFewFaces},
		{"a face turned aside", lens, Unknown{Tilt: true}, Helper{1.7, []Seen{at(0, 1, 60)}}, ErrFewFaces},
		{"no still", lens, Unknown{Tilt: true}, Helper{1.7, []Seen{{one.Landmarks, image.Point{}}}}, ErrFewFaces},
		{"one face for two numbers", lens, Unknown{Height: true, Tilt: true}, Helper{1.7, []Seen{one}}, ErrFewFaces},
		{"two for an angle", lens, Unknown{Angle: true}, Helper{1.7, []Seen{one, far}}, ErrFewFaces},
		{"the same face twice", lens, Unknown{Height: true, Tilt: true}, Helper{1.7, []Seen{one, one}}, ErrAlikeFaces},
		{"the same face thrice", lens, all, Helper{1.7, []Seen{one, one, one}}, ErrAlikeFaces},
		{"an angle on the level", lens, Unknown{Angle: true, Height: true}, Helper{1.7, []Seen{one, far, at(-.4, 1.4, 0)}}, ErrAlikeFaces},
		{"all of it on the level", lens, all, Helper{1.7, []Seen{one, far, at(-.4, 1.4, 0), at(.1, 2, 0)}}, ErrAlikeFaces},
		{"somebody much smaller", lens, Unknown{Tilt: true}, Helper{1.2, []Seen{at(0, .6, 0), at(0, 1.9, 0), at(.2, 1.2, 0), at(.1, .5, 0)}}, ErrNoFit},
	} {
		if fit, err := FitLens(test.lens, test.unknown, []Helper{test.helper}); !errors.Is(err, test.want) {
			t.Errorf("%s: %+v, %v, want %v", test.what, fit, err, test.want)
		}
	}
}

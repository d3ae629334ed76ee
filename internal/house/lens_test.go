package house

import (
	"math"
	"strings"
	"testing"
)

// The limits are those of the task: from a long lens to one that sees behind
// itself, from a child's reach to a lintel.
func TestCheckLens(t *testing.T) {
	right := Lens{Angle: 100, Projection: Straight, Height: 1.4, Tilt: 5}
	with := func(change func(*Lens)) Lens {
		l := right
		change(&l)
		return l
	}
	nan, inf := math.NaN(), math.Inf(1)
	angles := func(p Projection, angles ...float64) (all []Lens) {
		for _, angle := range angles {
			all = append(all, with(func(l *Lens) { l.Projection, l.Angle = p, angle }))
		}
		return all
	}
	heights := func(heights ...float64) (all []Lens) {
		for _, height := range heights {
			all = append(all, with(func(l *Lens) { l.Height = height }))
		}
		return all
	}
	tilts := func(tilts ...float64) (all []Lens) {
		for _, tilt := range tilts {
			all = append(all, with(func(l *Lens) { l.Tilt = tilt }))
		}
		return all
	}
	join := func(lists ...[]Lens) (all []Lens) {
		for _, l := range lists {
			all = append(all, l...)
		}
		return all
	}
	for _, l := range join(angles(Straight, 20, 169.9), angles(Equidistant, 20, 170, 200), heights(0.3, 3),
		tilts(-45, 0, 60)) {
		if err := l.Check(); err != nil {
			t.Errorf("%+v: %v", l, err)
		}
	}
	for _, l := range join(angles(Straight, -100, 0, 19.9, 170, 180, nan, inf, -inf),
		angles(Equidistant, 19.9, 200.1, nan, inf),
		angles("", 100), angles("round", 100), heights(-1, 0, 0.29, 3.01, nan, inf), tilts(-45.1, 60.1, nan, inf, -inf)) {
		if err := l.Check(); err == nil || !strings.HasPrefix(err.Error(), ErrBadLens.Error()+": ") {
			t.Errorf("%+v: %v", l, err)
		}
		wantError(t, l.Check(), ErrBadLens)
	}
}

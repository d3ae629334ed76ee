package liveness

import (
	"flag"
	"math/rand/v2"
	"strings"
	"testing"
)

var drawnRings = flag.Int("together", 6, "how many rings of persons and of pictures to draw for each movement; 60 for MEASUREMENTS.md")

// A wall behind a person stays, that on a picture goes along; how small a
// movement shows it is measured here. The bounds are below what was measured.
func TestAroundPersonsAndPictures(t *testing.T) {
	withoutRaces(t)
	n := *drawnRings
	r := rand.New(rand.NewPCG(15, 16))
	for _, c := range []struct {
		far, noise float64
		tells      bool
	}{{0.5, 3, false}, {1, 3, true}, {2, 3, true}, {4, 3, true}, {15, 3, true}, {40, 3, true}, {2, 8, false}, {4, 8, true}, {15, 8, true}} {
		var pictures, persons, missed int
		for range n {
			for _, picture := range []bool{true, false} {
				p := newPlay(r, picture)
				p.noise = c.noise
				f := found(t, p.ring(r, c.far), Together)
				switch {
				case picture && f.Missing != "":
					missed++
				case picture && f.Score > 0.5:
					pictures++
				case !picture && f.Score > 0.1:
					persons++
				}
			}
		}
		t.Logf("| %g | %g | %d | %d | %d |", c.far, c.noise, 100*pictures/n, 100*missed/n, 100*persons/n)
		if persons > 0 {
			t.Errorf("moved by %g, noise %g: %d of %d persons were taken for pictures", c.far, c.noise, persons, n)
		}
		if c.tells && 10*pictures < 8*n {
			t.Errorf("moved by %g, noise %g: %d of %d pictures were seen", c.far, c.noise, pictures, n)
		}
	}
}

func TestNothingAround(t *testing.T) {
	r := rand.New(rand.NewPCG(17, 18))
	p := newPlay(r, false)
	for i := range p.wall.waves {
		p.wall.waves[i][0] = 0
	}
	if f := found(t, p.ring(r, 12), Together); f.Missing != Plain {
		t.Errorf("before an even wall: %+v", f)
	}
	p = newPlay(r, true)
	if f := found(t, p.ring(r, 0), Together); f.Missing != Still {
		t.Errorf("nothing moved: %+v", f)
	}
	if f := found(t, p.ring(r, 0), Plane); f.Missing != Still {
		t.Errorf("nothing moved: %+v", f)
	}
	f := found(t, p.ring(r, 12), Together)
	if says := Says(f); !strings.Contains(says, "% moved together with the face") || f.Region == nil {
		t.Errorf("%q %v", says, f.Region)
	}
	if f := found(t, p.ring(r, 12), Plane); f.Score < 0.9 || !strings.Contains(Says(f), "flat thing") {
		t.Errorf("a picture: %+v", f)
	}
	if f := found(t, newPlay(r, false).ring(r, 12), Plane); f.Score > 0 {
		t.Errorf("a face before a wall that stays: %+v", f)
	}
}

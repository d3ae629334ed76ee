package liveness

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

var measured = flag.Int("plane", 300, "how many heads and planes to draw for each size and turn; 2000 for MEASUREMENTS.md")

// Outside: the table of the F distribution, upper 1 % points (Pearson and
// Hartley, Biometrika Tables for Statisticians, table 18, from memory).
func TestBound(t *testing.T) {
	for _, c := range []struct{ n, m, want float64 }{{4, 8, 7.01}, {10, 20, 3.37}, {2, 10, 7.56}, {20, 30, 2.55}, {60, 60, 1.84}} {
		if got := (distuv.F{D1: c.n, D2: c.m}).Quantile(0.99); math.Abs(got-c.want) > 0.006 {
			t.Errorf("F(%v, %v): %.3f, want %v", c.n, c.m, got, c.want)
		}
	}
	// A test of 14 dots has 20 degrees of freedom, and asks for that bound.
	h := drawnHomography(rand.New(rand.NewPCG(1, 1)))
	var dots []dot
	for i := range 14 {
		x, y := float64(i%4)*10, float64(i/4)*9
		u, v := h.to(x, y)
		dots = append(dots, exact(x, y, u, v))
	}
	if p, err := onePlane(dots, 30, 0.01); err != nil || math.Abs(p.bound-2.55) > 0.006 || p.rejected() {
		t.Errorf("got %+v, %v", p, err)
	}
	if _, err := onePlane(dots[:4], 30, 0.01); err == nil {
		t.Error("four points are always of a plane, and were tested")
	}
}

// noisy draws what is found of a point that went to u, v, with errors that are
// larger in one direction than in the other, as at an edge. The covariance is
// said to be larger by a factor.
func noisy(r *rand.Rand, x, y, u, v, size, factor float64) dot {
	a, b := size*(0.5+r.Float64()), size*(0.5+r.Float64())
	s, c := math.Sincos(2 * math.Pi * r.Float64())
	e, f := a*r.NormFloat64(), b*r.NormFloat64()
	p, q := 1/(a*a*factor), 1/(b*b*factor)
	return dot{x, y, u + c*e - s*f, v + s*e + c*f, p*c*c + q*s*s, (p - q) * s * c, p*s*s + q*c*c}
}

// Planes are taken for something else as often as is said, whatever the number
// of dots, and however well the noise is known. The bounds are three standard
// deviations of the count.
func TestFalseAlarms(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for _, c := range []struct {
		dots, degrees int
		alarm         float64
	}{{6, 12, 0.01}, {12, 30, 0.01}, {40, 60, 0.01}, {40, 8, 0.05}} {
		const trials = 3000
		alarms := 0
		for range trials {
			h := drawnHomography(r)
			// The noise is what it is, and measured with so many degrees.
			factor := distuv.ChiSquared{K: float64(c.degrees), Src: r}.Rand() / float64(c.degrees)
			var dots []dot
			for range c.dots {
				x, y := 60*r.Float64(), 80*r.Float64()
				u, v := h.to(x, y)
				dots = append(dots, noisy(r, x, y, u, v, 0.1, factor))
			}
			p, err := onePlane(dots, c.degrees, c.alarm)
			if err == nil && p.rejected() {
				alarms++
			}
		}
		rate, off := float64(alarms)/trials, 3*math.Sqrt(c.alarm*(1-c.alarm)/trials)
		t.Logf("%d dots, noise known with %d degrees: %.2f %% of planes rejected, %.0f %% said", c.dots, c.degrees, 100*rate, 100*c.alarm)
		if math.Abs(rate-c.alarm) > off {
			t.Errorf("%d dots, noise known with %d degrees: a false alarm rate of %.4f, want %.3f ± %.4f", c.dots, c.degrees, rate, c.alarm, off)
		}
	}
}

// A surface is how far a thing comes towards the lens, in millimetres.
type surface func(x, y float64) float64

func noDepth(_, _ float64) float64 { return 0 }

// headDepth is an ellipsoid with a nose that comes 20 mm before it; the
// measures are about those of an adult, from memory.
func headDepth(x, y float64) float64 {
	q := x*x/(78*78) + (y-15)*(y-15)/(115*115)
	return 90*math.Sqrt(max(1-q, 0)) + 20*math.Exp(-x*x/(2*9*9)-(y-35)*(y-35)/(2*14*14))
}

// turned draws the dots of a thing 150 mm wide whose box is so many pixels of a
// still wide, between two frames: it turns by so many degrees, up or down by
// half of that, and moves sideways. It is 60 cm away from a pinhole, and dots
// are off by so many pixels of a glance.
func turned(r *rand.Rand, s surface, width, degrees, off float64) []dot {
	perMM := width / glanceScale / 150
	sy, cy := math.Sincos(degrees * math.Pi / 180)
	sp, cp := math.Sincos(degrees / 2 * math.Pi / 180 * (2*r.Float64() - 1))
	dx, dy := 10*r.NormFloat64(), 5*r.NormFloat64()
	project := func(x, y, z float64) (float64, float64) {
		k := 600 / (600 - z)
		return perMM * k * x, perMM * k * y
	}
	step := 7 / perMM
	var dots []dot
	for y := -60.0; y <= 90; y += step {
		for x := -65.0; x <= 65; x += step {
			z := s(x, y)
			a, b := project(x, y, z)
			z -= 90 // about the middle of the head
			p, q, w := x, y*cp+z*sp, z*cp-y*sp
			p, w = p*cy+w*sy, w*cy-p*sy
			u, v := project(p+dx, q+dy, w+90)
			dots = append(dots, noisy(r, a, b, u, v, off, 1))
		}
	}
	return dots
}

// Heads that turn are told from pictures that turn; how well is measured here.
func TestTurnedHeads(t *testing.T) {
	withoutRaces(t)
	sizes, turns := []float64{80, 120, 160, 240, 320}, []float64{0, 1, 2, 3, 5, 8}
	for _, off := range []float64{0.07, 0.15} {
		var table strings.Builder
		rates := map[string]map[[2]float64]float64{"head": {}, "plane": {}}
		for name, s := range map[string]surface{"head": headDepth, "plane": noDepth} {
			r := rand.New(rand.NewPCG(5, 6))
			for _, width := range sizes {
				for _, turn := range turns {
					n := 0
					for range *measured {
						p, err := onePlane(turned(r, s, width, turn, off), 40, falseAlarm)
						if err == nil && p.rejected() {
							n++
						}
					}
					rates[name][[2]float64{width, turn}] = float64(n) / float64(*measured)
				}
			}
		}
		for _, name := range []string{"head", "plane"} {
			fmt.Fprintf(&table, "\n%s, dots off by %.2f\n", name, off)
			for _, width := range sizes {
				fmt.Fprintf(&table, "| %.0f |", width)
				for _, turn := range turns {
					fmt.Fprintf(&table, " %.1f |", 100*rates[name][[2]float64{width, turn}])
				}
				fmt.Fprintln(&table)
			}
		}
		t.Log(table.String())
		for k, rate := range rates["plane"] {
			if rate > falseAlarm+4*math.Sqrt(falseAlarm/float64(*measured)) {
				t.Errorf("%.1f %% of planes %v rejected", 100*rate, k)
			}
		}
		if rate := rates["head"][[2]float64{240, 5}]; rate < 0.95 {
			t.Errorf("only %.1f %% of heads 240 pixels wide that turn by 5 degrees were told from planes", 100*rate)
		}
	}
}

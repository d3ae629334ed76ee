package view

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"lintel/pipeline/review"
)

// probit is the standard normal distribution's quantile of p: the deviate below
// which a share of p lies. It is -Inf for 0 and +Inf for 1. A DET curve's axes
// are scaled by it (ISO/IEC 19795-1), which makes the curve of two normal
// distributions a straight line.
func probit(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }

// A Plot is where the lines of a drawing are, in the units of its viewBox.
type Plot struct {
	Width, Height            int
	Left, Right, Top, Bottom float64 // of the part within the axes
	XTicks, YTicks           []Tick
	Lines                    []Line
	Mark                     *Dot // what is at the threshold, nil if it is not on the drawing
}

// A Tick is a place on an axis.
type Tick struct {
	At    float64
	Label string
}

// A Line goes through points as SVG's polyline and polygon write them.
type Line struct{ Class, Points string }

// A Dot is a place on a drawing.
type Dot struct{ X, Y float64 }

// newPlot leaves room for the axes' labels.
func newPlot() Plot {
	return Plot{Width: 640, Height: 420, Left: 70, Right: 605, Top: 20, Bottom: 360}
}

// scale returns a function from values to places on an axis.
func scale(low, high, from, to float64) func(float64) float64 {
	return func(v float64) float64 {
		return math.Round(10*(from+(v-low)/(high-low)*(to-from))) / 10
	}
}

// detRates are the rates at the ends and ticks of a DET curve's axes.
var detRates = []float64{.001, .01, .05, .2, .5, .8, .95}

// DET draws a DET curve: the rate of strangers called by a name from left
// to right, of persons missed upwards. Rates beyond the axes' ends are drawn at
// them, since no household's visits can show that a rate is 0.
func (t Presenter) DET(curve []review.ErrorRates, at review.ErrorRates) Plot {
	p := newPlot()
	low, high := probit(detRates[0]), probit(detRates[len(detRates)-1])
	clipped := func(rate float64) float64 { return min(max(probit(rate), low), high) }
	x, y := scale(low, high, p.Left, p.Right), scale(low, high, p.Bottom, p.Top)
	for _, rate := range detRates {
		label := fmt.Sprintf("%g %%", 100*rate)
		p.XTicks = append(p.XTicks, Tick{x(probit(rate)), label})
		p.YTicks = append(p.YTicks, Tick{y(probit(rate)), label})
	}
	var points []string
	for _, c := range curve {
		points = append(points, fmt.Sprintf("%g,%g", x(clipped(c.FPIR)), y(clipped(c.FNIR))))
	}
	p.Lines = []Line{{"det", strings.Join(slices.Compact(points), " ")}}
	p.Mark = &Dot{x(clipped(at.FPIR)), y(clipped(at.FNIR))}
	return p
}

// Histogram draws the two histograms over each other as outlines, each as
// shares of its own number, with the threshold.
func (t Presenter) Histogram(bins []review.Bin, threshold float64) Plot {
	p := newPlot()
	genuine, impostor := 0, 0
	for _, b := range bins {
		genuine, impostor = genuine+b.Genuine, impostor+b.Impostor
	}
	share := func(n, of int) float64 { return float64(n) / float64(max(of, 1)) }
	most := 0.1
	for _, b := range bins {
		most = max(most, share(b.Genuine, genuine), share(b.Impostor, impostor))
	}
	most = math.Ceil(10*most-1e-9) / 10
	x, y := scale(0, review.BinCount*review.BinWidth, p.Left, p.Right), scale(0, most, p.Bottom, p.Top)
	for i := 0; i <= review.BinCount; i += 4 {
		p.XTicks = append(p.XTicks, Tick{x(float64(i) * review.BinWidth), t.Words.Sprintf("%.1f", float64(i)*review.BinWidth)})
	}
	for _, part := range []float64{0, .5, 1} {
		p.YTicks = append(p.YTicks, Tick{y(part * most), t.Words.Percent(part * most)})
	}
	outline := func(class string, of func(review.Bin) float64) Line {
		points := []string{fmt.Sprintf("%g,%g", x(0), y(0))}
		for _, b := range bins {
			h := y(of(b))
			points = append(points, fmt.Sprintf("%g,%g", x(b.From), h), fmt.Sprintf("%g,%g", x(b.From+review.BinWidth), h))
		}
		points = append(points, fmt.Sprintf("%g,%g", x(review.BinCount*review.BinWidth), y(0)))
		return Line{class, strings.Join(points, " ")}
	}
	p.Lines = []Line{
		outline("impostor", func(b review.Bin) float64 { return share(b.Impostor, impostor) }),
		outline("genuine", func(b review.Bin) float64 { return share(b.Genuine, genuine) }),
	}
	if threshold <= review.BinCount*review.BinWidth {
		p.Mark = &Dot{X: x(threshold)}
	}
	return p
}

package web

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

// A plot is where the lines of a drawing are, in the units of its viewBox.
type plot struct {
	Width, Height            int
	Left, Right, Top, Bottom float64 // of the part within the axes
	XTicks, YTicks           []tick
	Lines                    []line
	Mark                     *dot // what is at the threshold, nil if it is not on the drawing
}

// A tick is a place on an axis.
type tick struct {
	At    float64
	Label string
}

// A line goes through points as SVG's polyline and polygon write them.
type line struct{ Class, Points string }

type dot struct{ X, Y float64 }

// newPlot leaves room for the axes' labels.
func newPlot() plot {
	return plot{Width: 640, Height: 420, Left: 70, Right: 605, Top: 20, Bottom: 360}
}

// scale returns a function from values to places on an axis.
func scale(low, high, from, to float64) func(float64) float64 {
	return func(v float64) float64 {
		return math.Round(10*(from+(v-low)/(high-low)*(to-from))) / 10
	}
}

// detRates are the rates at the ends and ticks of a DET curve's axes.
var detRates = []float64{.001, .01, .05, .2, .5, .8, .95}

// detPlot draws a DET curve: the rate of strangers called by a name from left
// to right, of persons missed upwards. Rates beyond the axes' ends are drawn at
// them, since no household's visits can show that a rate is 0.
func detPlot(curve []review.ErrorRates, at review.ErrorRates) plot {
	p := newPlot()
	low, high := probit(detRates[0]), probit(detRates[len(detRates)-1])
	clipped := func(rate float64) float64 { return min(max(probit(rate), low), high) }
	x, y := scale(low, high, p.Left, p.Right), scale(low, high, p.Bottom, p.Top)
	for _, rate := range detRates {
		label := fmt.Sprintf("%g %%", 100*rate)
		p.XTicks = append(p.XTicks, tick{x(probit(rate)), label})
		p.YTicks = append(p.YTicks, tick{y(probit(rate)), label})
	}
	var points []string
	for _, c := range curve {
		points = append(points, fmt.Sprintf("%g,%g", x(clipped(c.FPIR)), y(clipped(c.FNIR))))
	}
	p.Lines = []line{{"det", strings.Join(slices.Compact(points), " ")}}
	p.Mark = &dot{x(clipped(at.FPIR)), y(clipped(at.FNIR))}
	return p
}

// histogramPlot draws the two histograms over each other as outlines, each as
// shares of its own number, with the threshold.
func histogramPlot(bins []review.Bin, threshold float64) plot {
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
		p.XTicks = append(p.XTicks, tick{x(float64(i) * review.BinWidth), fmt.Sprintf("%.1f", float64(i)*review.BinWidth)})
	}
	for _, part := range []float64{0, .5, 1} {
		p.YTicks = append(p.YTicks, tick{y(part * most), fmt.Sprintf("%.0f %%", 100*part*most)})
	}
	outline := func(class string, of func(review.Bin) float64) line {
		points := []string{fmt.Sprintf("%g,%g", x(0), y(0))}
		for _, b := range bins {
			h := y(of(b))
			points = append(points, fmt.Sprintf("%g,%g", x(b.From), h), fmt.Sprintf("%g,%g", x(b.From+review.BinWidth), h))
		}
		return line{class, strings.Join(append(points, fmt.Sprintf("%g,%g", x(review.BinCount*review.BinWidth), y(0))), " ")}
	}
	p.Lines = []line{
		outline("impostor", func(b review.Bin) float64 { return share(b.Impostor, impostor) }),
		outline("genuine", func(b review.Bin) float64 { return share(b.Genuine, genuine) }),
	}
	if threshold <= review.BinCount*review.BinWidth {
		p.Mark = &dot{X: x(threshold)}
	}
	return p
}

package liveness

import (
	"math"
	"math/rand/v2"
	"testing"

	"lintel/internal/python"
)

// exact is a dot whose place is known equally well both ways.
func exact(x, y, u, v float64) dot { return dot{x, y, u, v, 1, 0, 1} }

// Outside: the closed form for a unit square and any quadrilateral, Heckbert,
// Fundamentals of Texture Mapping and Image Warping (Berkeley, 1989), section
// 2.2.3, from memory.
func TestHomographyOfASquare(t *testing.T) {
	square := [4][2]float64{{0, 0}, {1, 0}, {1, 1}, {0, 1}}
	for _, q := range [][4][2]float64{
		{{0, 0}, {1, 0}, {1, 1}, {0, 1}},
		{{10, 20}, {50, 25}, {45, 80}, {5, 60}},
		{{300, 100}, {420, 90}, {470, 300}, {280, 260}},
	} {
		x, y := func(i int) float64 { return q[i][0] }, func(i int) float64 { return q[i][1] }
		dx1, dx2, sx := x(1)-x(2), x(3)-x(2), x(0)-x(1)+x(2)-x(3)
		dy1, dy2, sy := y(1)-y(2), y(3)-y(2), y(0)-y(1)+y(2)-y(3)
		det := dx1*dy2 - dx2*dy1
		g, h := (sx*dy2-dx2*sy)/det, (dx1*sy-sx*dy1)/det
		want := homography{x(1) - x(0) + g*x(1), x(3) - x(0) + h*x(3), x(0), y(1) - y(0) + g*y(1), y(3) - y(0) + h*y(3), y(0), g, h, 1}
		var dots []dot
		for i := range 4 {
			dots = append(dots, exact(square[i][0], square[i][1], x(i), y(i)))
		}
		got, err := fitHomography(dots)
		if err != nil {
			t.Fatal(err)
		}
		for i := range want {
			if math.Abs(got[i]-want[i]) > 1e-6*max(1, math.Abs(want[i])) {
				t.Errorf("to %v: got %v, want %v", q, got, want)
				break
			}
		}
	}
}

func TestNoHomography(t *testing.T) {
	for name, dots := range map[string][]dot{
		"none":      nil,
		"three":     {exact(0, 0, 0, 0), exact(1, 0, 1, 0), exact(0, 1, 0, 1)},
		"on a line": {exact(0, 0, 0, 0), exact(1, 1, 1, 1), exact(2, 2, 2, 2), exact(3, 3, 3, 3), exact(4, 4, 4, 4)},
		"one place": {exact(5, 5, 1, 1), exact(5, 5, 1, 1), exact(5, 5, 1, 1), exact(5, 5, 1, 1), exact(5, 5, 1, 1)},
	} {
		if h, err := fitHomography(dots); err == nil {
			t.Errorf("%s: got %v", name, h)
		}
	}
}

// drawnHomography turns and tilts a plane as a hand might between two frames.
func drawnHomography(r *rand.Rand) homography {
	small := func(by float64) float64 { return by * r.NormFloat64() }
	return homography{1 + small(0.05), small(0.05), small(5), small(0.05), 1 + small(0.05), small(5), small(2e-4), small(2e-4), 1}
}

// Outside: findHomography of OpenCV, which too makes the squares of what is
// left in the second frame the least.
func TestHomographyAgainstOpenCV(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	type question struct{ From, To [][2]float64 }
	var questions []question
	var fits []homography
	for range 30 {
		h := drawnHomography(r)
		var q question
		var dots []dot
		for range 5 + r.IntN(40) {
			x, y := 100+60*r.Float64(), 80+80*r.Float64()
			u, v := h.to(x, y)
			u, v = u+0.3*r.NormFloat64(), v+0.3*r.NormFloat64()
			q.From, q.To = append(q.From, [2]float64{x, y}), append(q.To, [2]float64{u, v})
			dots = append(dots, exact(x, y, u, v))
		}
		fit, err := fitHomography(dots)
		if err != nil {
			t.Fatal(err)
		}
		questions, fits = append(questions, q), append(fits, fit)
	}
	var answers [][3][3]float64
	python.Ask(t, "cv2", `
import json, sys, cv2, numpy
print(json.dumps([cv2.findHomography(numpy.array(q["From"]), numpy.array(q["To"]), 0)[0].tolist() for q in json.load(sys.stdin)]))
`, questions, &answers)
	for i, a := range answers {
		theirs := homography{a[0][0], a[0][1], a[0][2], a[1][0], a[1][1], a[1][2], a[2][0], a[2][1], a[2][2]}
		var dots []dot
		for k, p := range questions[i].From {
			dots = append(dots, exact(p[0], p[1], questions[i].To[k][0], questions[i].To[k][1]))
		}
		// Both look for the same least; ours may not be worse, nor far away.
		if ours, other := fits[i].sum(dots), theirs.sum(dots); ours > other*(1+1e-3)+1e-9 {
			t.Errorf("%d points leave %v by ours and %v by OpenCV", len(dots), ours, other)
		}
		for _, d := range dots {
			u, v := fits[i].to(d.x, d.y)
			x, y := theirs.to(d.x, d.y)
			if math.Hypot(u-x, v-y) > 0.02 {
				t.Errorf("%d points: %.1f, %.1f goes to %.3f, %.3f by ours and %.3f, %.3f by OpenCV", len(dots), d.x, d.y, u, v, x, y)
				break
			}
		}
	}
}

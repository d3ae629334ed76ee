package liveness

import (
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"testing"

	"lintel/store"
)

// eyed is a frame with two eyes, open or closed, and 5 or 68 landmarks.
func eyed(number int, open bool, landmarks int) Frame {
	g := &Glance{640, 480, image.NewGray(image.Rect(0, 0, 160, 120))}
	r := rand.New(rand.NewPCG(uint64(number), 1))
	for i := range g.Luma.Pix {
		g.Luma.Pix[i] = uint8(150 + 2*r.NormFloat64())
	}
	f := store.Face{Box: image.Rect(200, 100, 440, 340), Liveness: &store.Liveness{}, Descriptor: store.Descriptor{1}}
	f.Landmarks = make([]store.Point, landmarks)
	for i, x := range [2]float64{260, 380} {
		if open { // an iris of 16 pixels
			for y := -2; y < 2; y++ {
				for u := -2; u < 2; u++ {
					g.Luma.SetGray(int(x)/4+u, 45+y, color.Gray{Y: 50})
				}
			}
		}
		corners := [2]store.Point{{X: x - 24, Y: 180}, {X: x + 24, Y: 180}}
		if landmarks == 5 {
			f.Landmarks[2*i], f.Landmarks[2*i+1] = corners[i], corners[1-i]
			continue
		}
		height := 1.5
		if open {
			height = 7
		}
		e := f.Landmarks[36+6*i:]
		e[0], e[3] = corners[0], corners[1]
		e[1], e[2] = store.Point{X: x - 8, Y: 180 - height}, store.Point{X: x + 8, Y: 180 - height}
		e[5], e[4] = store.Point{X: x - 8, Y: 180 + height}, store.Point{X: x + 8, Y: 180 + height}
	}
	return Frame{Number: number, Glance: g, Faces: []store.Face{f}}
}

func TestBlink(t *testing.T) {
	for _, landmarks := range []int{5, 68} {
		for _, c := range []struct {
			open []bool
			want float64
		}{
			{[]bool{true, true, true}, 0}, // too few to expect one
			// 0.2 (1 - exp(-17/60 · 0.25 · 4)), by hand
			{[]bool{true, true, true, true}, 0.0493},
			{[]bool{true, true, false, true}, 0},
			{[]bool{true, true, true, true, true, true, true, true, true, true}, 0.1015},
			{[]bool{true, true, true, true, true, true, true, true, true, false}, 0},
		} {
			var frames []Frame
			for i, open := range c.open {
				frames = append(frames, eyed(i, open, landmarks))
			}
			f := found(t, frames, Blink)
			if f.Missing != "" || math.Abs(f.Score-c.want) > 0.0002 {
				t.Errorf("%d landmarks, open %v: %+v, want %v", landmarks, c.open, f, c.want)
			}
		}
	}
}

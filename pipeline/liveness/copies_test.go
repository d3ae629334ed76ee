package liveness

import (
	"image"
	"math/rand/v2"
	"testing"
)

func TestCopies(t *testing.T) {
	r := rand.New(rand.NewPCG(19, 20))
	p := newPlay(r, false)
	score := func(change func([]Frame)) float64 {
		frames := p.ring(r, 12)
		change(frames)
		f := found(t, frames, Copies)
		if f.Missing != "" {
			t.Errorf("missing: %+v", f)
		}
		return f.Score
	}
	if s := score(func([]Frame) {}); s != 0 {
		t.Errorf("three stills of a person: %v", s)
	}
	if s := score(func(f []Frame) { f[2].Glance = f[0].Glance }); s != 1 {
		t.Errorf("the first still twice: %v", s)
	}
	if s := score(func(f []Frame) { f[2].Glance = moved(f[0].Glance, 5, -3) }); s != 1 {
		t.Errorf("the first still twice, shifted: %v", s)
	}
	// A quiet camera: noise of 1 in the still, 0.25 in the glance.
	p.noise = 1
	if s := score(func([]Frame) {}); s != 0 {
		t.Errorf("three stills of a quiet camera: %v", s)
	}
	// A face that does not move at all, before a wall that does not either.
	still := found(t, p.ring(r, 0), Copies)
	if still.Score <= 0 || still.Score > 0.5 {
		t.Errorf("a face that keeps quite still: %+v", still)
	}
}

// moved shifts a glance, and repeats the border.
func moved(g *Glance, dx, dy int) *Glance {
	out := &Glance{g.Width, g.Height, image.NewGray(g.Luma.Rect)}
	for y := range g.Luma.Rect.Dy() {
		for x := range g.Luma.Rect.Dx() {
			out.Luma.SetGray(x, y, g.Luma.GrayAt(min(max(x-dx, 0), g.Luma.Rect.Dx()-1), min(max(y-dy, 0), g.Luma.Rect.Dy()-1)))
		}
	}
	return out
}

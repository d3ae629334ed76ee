package redact

import (
	"bytes"
	"errors"
	"image"
	"image/color"
	"math/rand/v2"
	"testing"
)

// Of two stills that differ in all that is hidden, and only there, Blur makes
// the same still; and it hides no less than the box and its margin.
func TestHidden(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 4))
	for _, test := range faces {
		one, other := scene(211, 163), scene(211, 163)
		still := asJPEG(t, one, 90)
		hidden, err := Hidden(still, append(test.boxes, image.Rect(900, 900, 950, 950)))
		if err != nil || len(hidden) != len(test.boxes) {
			t.Fatalf("%s: %v, %v", test.name, hidden, err)
		}
		for i, box := range test.boxes {
			box = box.Intersect(one.Rect)
			if m := box.Inset(-max(box.Dx(), box.Dy()) / 2).Intersect(one.Rect); !m.In(hidden[i]) {
				t.Errorf("%s: %v is hidden, which leaves some of %v", test.name, hidden[i], m)
			}
			for y := hidden[i].Min.Y; y < hidden[i].Max.Y; y++ {
				for x := hidden[i].Min.X; x < hidden[i].Max.X; x++ {
					other.SetRGBA(x, y, color.RGBA{uint8(r.Uint32()), uint8(r.Uint32()), uint8(r.Uint32()), 255})
				}
			}
		}
		if !bytes.Equal(blurred(t, still, test.boxes), blurred(t, asJPEG(t, other, 90), test.boxes)) {
			t.Errorf("%s: something of what is hidden makes a difference", test.name)
		}
	}
	if _, err := Hidden([]byte("no still"), nil); !errors.Is(err, ErrNotAStill) {
		t.Errorf("%v, want ErrNotAStill", err)
	}
}

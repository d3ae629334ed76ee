package recognise

import (
	"image"
	"testing"
	"time"

	"lintel/internal/doorstep"
	"lintel/pipeline/match"
	"lintel/pipeline/redact"
)

// Outside: which pixels show whose head, by the truth of drawn stills (package
// doorstep). Two stand before the bell, and one of them is blurred where the face was
// found: nothing of that head is left, and nobody is found there any more; the other is.
func TestTruthOfBlurredDrawnFaces(t *testing.T) {
	f := open(t)
	looked := 0
	for n := range 6 {
		drawn := doorstep.Scene{Door: doorstep.Door(n % 2), Sky: doorstep.Sky(n % 3), Seed: uint64(n),
			At: time.Date(2031, 6, 17, 7+3*n, 0, 0, 0, time.UTC), Visitors: []doorstep.Visitor{
				{Who: doorstep.People[[]int{0, 3, 4, 6, 7, 3}[n]], Distance: 0.6 + 0.05*float64(n), Aside: -0.35, Yaw: 10, Hat: n == 3},
				{Who: doorstep.People[[]int{7, 6, 5, 0, 3, 7}[n]], Distance: 0.9, Aside: 0.5, Yaw: -15, Scarf: n == 1},
			}}.Still()
		sent := drawn.JPEG(85)
		seen := find(t, f, sent)
		for i, truth := range drawn.Truth {
			gone, ok := at(seen, truth.Box)
			stays, both := at(seen, drawn.Truth[1-i].Box)
			if !ok || !both {
				t.Logf("still %d: of two faces not both are found: %d", n, len(seen))
				break
			}
			looked++
			hidden, err := redact.Hidden(sent, []image.Rectangle{gone.Box})
			if err != nil {
				t.Fatal(err)
			}
			if left, all := outside(truth.Mask, hidden[0]); left > 0 {
				t.Errorf("still %d: of the head of %s, %d of %d pixels are still seen", n, truth.Who.Name, left, all)
			}
			blurred, err := redact.Blur(sent, []image.Rectangle{gone.Box})
			if err != nil {
				t.Fatal(err)
			}
			after := find(t, f, blurred)
			if again, ok := at(after, gone.Box); ok {
				t.Errorf("still %d: where %s was blurred, a face is found at %v", n, truth.Who.Name, again.Box)
			}
			if again, ok := at(after, stays.Box); !ok || match.Distance(&again.Descriptor, &stays.Descriptor) > same {
				t.Errorf("still %d: who was not blurred is not recognised any more, with %s blurred", n, truth.Who.Name)
			}
		}
	}
	if looked < 8 { // of 12; 10 when this was written
		t.Errorf("only %d faces blurred: too few to show anything", looked)
	}
}

// outside counts the pixels of a head that lie outside of a rectangle.
func outside(head *image.Alpha, r image.Rectangle) (left, all int) {
	for y := range head.Rect.Dy() {
		for x := range head.Rect.Dx() {
			if head.AlphaAt(x, y).A > 0 {
				all++
				if !image.Pt(x, y).In(r) {
					left++
				}
			}
		}
	}
	return left, all
}

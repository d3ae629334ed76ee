package liveness

import (
	"bytes"
	"fmt"
	"image/jpeg"
	"math"
	"testing"
	"time"

	"lintel/internal/doorstep"
	"lintel/internal/house"
)

// drawnRing draws a ring of three stills and returns them as bells send them, with
// the faces that are on them by the truth.
func drawnRing(s doorstep.Scene) (stills []doorstep.Still, frames []Frame) {
	for i, scene := range s.Burst(3, 400*time.Millisecond) {
		still := scene.Still()
		f := Frame{Number: i}
		for _, truth := range still.Truth {
			d := house.Descriptor{}
			for k, p := range doorstep.People {
				if p == truth.Who {
					d[k] = 1
				}
			}
			f.Faces = append(f.Faces, house.Face{Box: truth.Box, Descriptor: d, Liveness: &house.Liveness{}})
		}
		f.Thumbnail = thumbnailOf(still.JPEG(85))
		stills, frames = append(stills, still), append(frames, f)
	}
	return stills, frames
}

func thumbnailOf(still []byte) *Thumbnail {
	img, err := jpeg.Decode(bytes.NewReader(still))
	if err != nil {
		panic(err) // of our own coding
	}
	return NewThumbnail(img)
}

// anew is a still that was decoded and coded once more, at nearly the best quality.
func anew(t *testing.T, sent []byte) []byte {
	t.Helper()
	had, err := jpeg.Decode(bytes.NewReader(sent))
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, had, &jpeg.Options{Quality: 98}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// Outside: the truth of drawn rings (package doorstep), each frame of which is drawn
// for itself, with noise of its own and somebody who can't stand quite still, or whose
// hand with a picture can't. None of them is taken for a copy, and each is where one
// frame is sent again, or coded anew. Grain by the lamp is what coding anew changes most
// (MEASUREMENTS.md).
func TestTruthOfCopies(t *testing.T) {
	least, most := math.Inf(1), 0.0
	for n := range 4 {
		v := doorstep.Visitor{Who: doorstep.People[2*n], Distance: []float64{.5, .8, 1.2, .8}[n]}
		if n%2 == 1 {
			v.Shows = doorstep.Shown{As: doorstep.Print + doorstep.Medium(n/2), Of: doorstep.People[n]}
		}
		s := doorstep.Scene{Door: doorstep.Door(n % 2), Sky: doorstep.Sky(n % 3), Seed: uint64(n),
			At: time.Date(2031, 6, 17, 5+6*n, 0, 0, 0, time.UTC), Visitors: []doorstep.Visitor{v}}
		stills, frames := drawnRing(s)
		name := fmt.Sprintf("%s at %s, showing %d", v.Who.Name, s.At.Format("15:04"), v.Shows.As)
		if f := copiesOn(t, frames); f.Score != 0 {
			t.Errorf("%s: three frames of a camera are taken for copies: %+v", name, f)
		} else {
			least = min(least, f.Values[0])
		}
		sent := stills[0].JPEG(85)
		for what, again := range map[string][]byte{"sent again": sent, "coded anew": anew(t, sent)} {
			frames[2].Thumbnail = thumbnailOf(again)
			f := copiesOn(t, frames)
			most = max(most, f.Values[0])
			if f.Score < .5 {
				t.Errorf("%s: a frame that was %s is not taken for a copy: %+v", name, what, f)
			}
		}
	}
	if least < 10*most {
		t.Errorf("frames of a camera differ by %.3f, copies by %.3f", least, most)
	}
	t.Logf("frames of a camera differ by %.3f or more, copies by %.3f or less", least, most)
}

// Outside: whether a drawn face is a person's or on paper or a telephone that
// somebody holds up. No sign of a frame is seen around persons, and one around three
// pictures of four. Photographs of pictures are noticed far more seldom
// (MEASUREMENTS.md): this says that edges which are there are seen, not how often they are.
func TestTruthOfEdges(t *testing.T) {
	signs, faces := make(map[doorstep.Medium]int), make(map[doorstep.Medium]int)
	for n := range 12 {
		v := doorstep.Visitor{Who: doorstep.People[n%8], Distance: []float64{.7, .9, 1.2}[(n+n/3)%3], Yaw: float64(n%5*5 - 10)}
		if n%3 > 0 {
			v.Shows = doorstep.Shown{As: doorstep.Print + doorstep.Medium(n%3-1), Of: doorstep.People[(n+3)%8]}
		}
		light := n / 3 // one for a person, a print and a telephone
		still := doorstep.Scene{Door: doorstep.Door(light % 2), Sky: doorstep.Sky(light % 3), Seed: uint64(n),
			At: time.Date(2031, 6, 17, 6+light*5, 0, 0, 0, time.UTC), Visitors: []doorstep.Visitor{v}}.Still()
		sent, err := jpeg.Decode(bytes.NewReader(still.JPEG(85)))
		if err != nil {
			t.Fatal(err)
		}
		for _, truth := range still.Truth {
			f := house.Face{Box: truth.Box}
			for _, i := range []int{3, 2, 0, 1, 4} { // in dlib's order
				f.Landmarks = append(f.Landmarks, house.Point(truth.Landmarks[i]))
			}
			found := tidy(edgesSign.measure(newScene(sent).view(f)))
			faces[truth.Shown]++
			t.Logf("%d: %s at %.1f m, shown %d: %.2f %v", n, truth.Who.Name, truth.Distance, truth.Shown, found.Score,
				found.Missing)
			if found.Score > 0.3 {
				signs[truth.Shown]++
			}
		}
	}
	t.Logf("signs %v of %v", signs, faces)
	if signs[doorstep.Nothing] > 0 || 4*signs[doorstep.Print] < 3*faces[doorstep.Print] ||
		4*signs[doorstep.Phone] < 3*faces[doorstep.Phone] || faces[doorstep.Print]*faces[doorstep.Phone] == 0 {
		t.Errorf("signs %v of %v", signs, faces)
	}
}

package face

import (
	"image"
	"slices"
	"testing"

	"github.com/disintegration/imaging"

	"lintel/internal/doorstep"
)

// A crowd is the most work that a still can make: every place bounds it, and
// none is asked about twice.
func TestCrowd(t *testing.T) {
	f := open(t)
	overheard := listen(f)
	one := imaging.Resize(imaging.Crop(example(t, "2008_002506.jpg"), image.Rect(110, 45, 230, 175)), 48, 0,
		imaging.Lanczos)
	crowd := image.NewNRGBA(image.Rect(0, 0, doorstep.Width, doorstep.Height))
	for y := 0; y < crowd.Rect.Dy(); y += one.Rect.Dy() {
		for x := 0; x < crowd.Rect.Dx(); x += one.Rect.Dx() {
			drawAt(crowd, one, x, y)
		}
	}
	faces := find(t, f, crowd)
	t.Logf("%d faces, after %d crops, and %d not looked at", len(faces), len(overheard.crops), faces[0].Unlooked)
	if len(overheard.crops) > 2*maxFaces {
		t.Errorf("go-face was asked about %d crops", len(overheard.crops))
	}
	if n := len(faces) + faces[0].Unlooked; len(faces) != maxFaces || n < 48 {
		t.Errorf("%d faces, %d with those that were not looked at", len(faces), n)
	}
}

// Outside: a bare go-face call, which looks at all faces of the photograph. The
// 16 that a Finder looks at are none of the smallest, and each says how many it
// has left.
func TestCrowdsLargest(t *testing.T) {
	faces := find(t, open(t), example(t, "bald_guys.jpg"))
	bare, err := openBare(t).Find(readExample(t, "bald_guys.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	var widths []int
	for _, b := range bare {
		widths = append(widths, b.Width())
	}
	slices.Sort(widths)
	atLeast := widths[len(widths)-maxFaces] * 3 / 4 // the cascade's squares are only about a face's size
	for _, f := range faces {
		if f.Width() < atLeast {
			t.Errorf("a face %d pixels wide; the bare call's 16 largest have %d and more", f.Width(),
				widths[len(widths)-maxFaces])
		}
		if all := maxFaces + f.Unlooked; len(faces) != maxFaces || all < len(bare)-3 || all > len(bare)+3 {
			t.Errorf("%d faces, and %d not looked at; a bare call finds %d", len(faces), f.Unlooked, len(bare))
		}
	}
}

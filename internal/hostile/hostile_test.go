package hostile

import (
	"bytes"
	"image/jpeg"
	"image/png"
	"testing"
)

// Outside: the headers are such that image/jpeg and image/png take them, and all
// are small enough for a bell to send.
func TestPictures(t *testing.T) {
	for _, p := range Pictures() {
		c, err := jpeg.DecodeConfig(bytes.NewReader(p.Body))
		if err != nil {
			c, err = png.DecodeConfig(bytes.NewReader(p.Body))
		}
		t.Logf("%s: %d x %d in %d kB", p.Name, c.Width, c.Height, len(p.Body)>>10)
		if err != nil || c.Width*c.Height < 2400*2400 {
			t.Errorf("%s: %d x %d, %v", p.Name, c.Width, c.Height, err)
		}
		if len(p.Body) > 8<<20 {
			t.Errorf("%s: %d bytes", p.Name, len(p.Body))
		}
	}
}

package doorstep

import (
	"bytes"
	"image"
	"image/jpeg"
	"math/rand/v2"
	"slices"
)

// Still draws the scene.
func (s Scene) Still() Still {
	p := plateOf(s)
	light := slices.Clone(p.pixels)
	// What is left to chance differs from still to still of a ring, but not how the sensor is.
	r := rand.New(rand.NewPCG(s.Seed, uint64(s.At.UnixNano())))
	if s.Sky == Rain {
		p.rain(r, light)
	}
	truth := s.draw(p, light)
	if s.Sky == Rain && s.Door == Garden { // no roof
		wetten(r, light)
	}
	s.cover(light)
	return Still{Image: sensor{light: light, faces: truth, seed: s.Seed, grain: r.Uint64()}.develop(), Truth: truth}
}

// JPEG is what the bell sends: baseline JPEG of the given quality, 1 to 100.
func (s Still) JPEG(quality int) []byte {
	// As all is opaque, these are the same colours: of RGBA the encoder knows how to take them faster.
	opaque := &image.RGBA{Pix: s.Image.Pix, Stride: s.Image.Stride, Rect: s.Image.Rect}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, opaque, &jpeg.Options{Quality: quality}); err != nil {
		panic(err) // to memory, of a picture that fits
	}
	return b.Bytes()
}

package doorstep

import (
	"bytes"
	"image"
	"image/jpeg"
	"math/rand/v2"
	"slices"
)

// Still draws the scene.
func (s Scene) Still() Still { return s.still(whole) }

// Head draws the part of the still that is about the first visitor's head, as photographs are that people are
// enrolled by, in about half the time. Its places are those of the whole still, but its exposure goes by what is on
// it alone.
func (s Scene) Head() Still { return s.still(aboutHead) }

// whole and aboutHead say which part of a still is drawn.
func whole([]*actor) image.Rectangle { return image.Rect(0, 0, Width, Height) }

func aboutHead(actors []*actor) image.Rectangle {
	if len(actors) == 0 {
		return whole(actors)
	}
	face := actors[0].face.Box
	return face.Inset(-max(face.Dx(), face.Dy())).Intersect(whole(actors))
}

func (s Scene) still(which func([]*actor) image.Rectangle) Still {
	p := plateOf(s)
	light := slices.Clone(p.pixels)
	// What is left to chance differs from still to still of a ring, but not how the sensor is.
	r := rand.New(rand.NewPCG(s.Seed, uint64(s.At.UnixNano())))
	if s.Sky == Rain {
		p.rain(r, light)
	}
	actors := s.actors(p)
	part := which(actors)
	truth := p.draw(actors, light, part)
	if s.Sky == Rain && s.Door == Garden { // no roof
		wetten(r, light)
	}
	s.cover(light)
	return Still{Image: sensor{light: light, faces: truth, seed: s.Seed, grain: r.Uint64()}.develop(part), Truth: truth}
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

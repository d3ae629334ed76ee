package review

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/match"
	"lintel/store"
	"lintel/store/seal"
)

var _ Archive = (*store.Archive)(nil)

// A household is a review of a real archive, whose clock stands still until it
// is moved.
type household struct {
	*Review
	t       testing.TB
	archive *store.Archive
	now     time.Time
	rings   int
}

func newHouse(t testing.TB) *household {
	t.Helper()
	h := &household{t: t, now: time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC)}
	clock := func() time.Time { return h.now }
	var err error
	h.archive, err = store.Open(t.Context(), t.TempDir(), seal.Key{1}, clock)
	h.must(err)
	t.Cleanup(func() {
		if err := h.archive.Close(); err != nil {
			t.Error(err)
		}
	})
	_, err = h.archive.AddBell(t.Context(), "gate")
	h.must(err)
	h.Review = New(h.archive, match.NewCurrent(h.archive), clock)
	return h
}

func (h *household) must(err error) {
	h.t.Helper()
	if err != nil {
		h.t.Fatal(err)
	}
}

func (h *household) ctx() context.Context { return h.t.Context() }

// descriptorAt returns a descriptor at a distance from that of the person of a
// number, and from those of all other numbers by more than 1.
func descriptorAt(number int, distance float64) (d house.Descriptor) {
	d[number] = 1
	d[100] = float32(distance)
	return d
}

// faceAt is a face of 100 pixels.
func faceAt(d house.Descriptor) house.Face {
	return house.Face{Box: image.Rect(30, 10, 130, 110), Descriptor: d}
}

// like is a face at that place of a line of faces: two are as far apart as
// their places.
func like(place float32, width int) house.Face {
	f := house.Face{Box: image.Rect(10, 20, 10+width, 20+width)}
	f.Descriptor[0], f.Descriptor[1] = place, 1
	return f
}

func (h *household) consent() house.Consent {
	return house.Consent{GivenBy: "they", GivenAt: h.now, Scope: "the door"}
}

// enrolled adds a person with consent and a reference of that number.
func (h *household) enrolled(name string, number int) house.Person {
	h.t.Helper()
	p, err := h.archive.Introduce(h.ctx(), name, h.consent(), []house.Reference{
		{Descriptor: descriptorAt(number, 0), FaceWidth: 200, SourceSHA256: [32]byte{byte(number)}},
	})
	h.must(err)
	return p
}

// picture is a JPEG that is like no other.
func (h *household) picture() []byte {
	m := image.NewRGBA(image.Rect(0, 0, 160, 120))
	colour := color.RGBA{uint8(h.rings), uint8(h.rings >> 8), 90, 255}
	draw.Draw(m, m.Rect, image.NewUniform(colour), image.Point{}, draw.Src)
	var out bytes.Buffer
	h.must(jpeg.Encode(&out, m, nil))
	return out.Bytes()
}

// sees keeps a ring with one of the faces on each frame, judged together as the
// pipeline does, a minute after the one before. It returns the visit, and the
// ids of the faces.
func (h *household) sees(faces ...house.Face) (visit string, ids []string) {
	h.t.Helper()
	h.now = h.now.Add(time.Minute)
	h.rings++
	for i := range faces {
		var err error
		visit, _, err = h.archive.Keep(h.ctx(), house.NewStill{
			Bell: "gate", Ring: fmt.Sprint("R", h.rings), Frame: i, SentSHA256: [32]byte{byte(h.rings), byte(i)},
			JPEG: h.picture(), Width: 160, Height: 120, ReceivedAt: h.now,
		})
		h.must(err)
	}
	g, err := h.gallery.Gallery(h.ctx())
	h.must(err)
	frames := make([][]house.Face, len(faces))
	for i, f := range faces {
		frames[i] = []house.Face{f}
	}
	g.IdentifyRing(frames)
	v := h.visit(visit)
	for i, still := range v.Stills {
		h.must(h.archive.Record(h.ctx(), still.ID, house.Done, frames[i]))
	}
	for _, still := range h.visit(visit).Stills {
		ids = append(ids, still.Faces[0].ID)
	}
	return visit, ids
}

// seen is sees for one face.
func (h *household) seen(f house.Face) (face string) {
	h.t.Helper()
	_, ids := h.sees(f)
	return ids[0]
}

func (h *household) visit(id string) house.Visit {
	h.t.Helper()
	v, err := h.archive.Visit(h.ctx(), id)
	h.must(err)
	return v
}

// found returns what is found of a face by now.
func (h *household) found(face string) *house.Match {
	h.t.Helper()
	x, err := h.archive.Sighting(h.ctx(), face)
	h.must(err)
	return x.Face.Match
}

func (h *household) answers(face string, g Given) Enrolment {
	h.t.Helper()
	done, err := h.Answer(h.ctx(), face, g)
	h.must(err)
	return done
}

// stillNamed is a distance at which names are still given, whatever the curve says.
const stillNamed = match.MaxDistance - .005

// between returns the largest distance up to most whose FPIR in the present
// gallery lies between two.
func (h *household) between(low, high, most float64) float64 {
	h.t.Helper()
	g, err := h.gallery.Gallery(h.ctx())
	h.must(err)
	for d := most; d > 0; d -= .0005 {
		if fpir := g.FPIR(d); fpir > low && fpir <= high {
			return d
		}
	}
	h.t.Fatalf("no distance has an FPIR from %g to %g", low, high)
	return 0
}

func (h *household) strongly() float64   { return h.between(0, 5e-5, stillNamed) }
func (h *household) fairly() float64     { return h.between(3e-4, 9e-4, stillNamed) }
func (h *household) weakly() float64     { return h.between(1.5e-3, 8e-3, stillNamed) }
func (h *household) justBeyond() float64 { return h.between(1.2e-2, 3e-2, 1) }

// newDoubtfulHouse is a house with Ada and Ben, and a weak match of Ada's.
func newDoubtfulHouse(t testing.TB) (h *household, ada, ben house.Person, visit, face string) {
	h = newHouse(t)
	ada, ben = h.enrolled("Ada Quill", 1), h.enrolled("Ben Orrin", 2)
	visit, ids := h.sees(faceAt(descriptorAt(1, h.weakly())))
	return h, ada, ben, visit, ids[0]
}

package pipeline

import (
	"bytes"
	"context"
	"crypto/sha256"
	"image"
	"image/jpeg"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"lintel/internal/house"
)

// keepFrame keeps a still of that width as a frame of a ring.
func (h *household) keepFrame(ring string, frame, width int) (visit string) {
	h.t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, width, 8)), nil); err != nil {
		h.t.Fatal(err)
	}
	visit, added, err := h.archive.Keep(h.t.Context(), house.NewStill{
		Bell: "gate", Ring: ring, Frame: frame, SentSHA256: sha256.Sum256(b.Bytes()), JPEG: b.Bytes(), Width: width,
		Height: 8, ReceivedAt: time.Now(),
	})
	if err != nil || !added {
		h.t.Fatalf("added %v, %v", added, err)
	}
	return visit
}

// enrol adds a person with one reference.
func (h *household) enrol(name string, second float32) (person string) {
	h.t.Helper()
	p, err := h.archive.AddPerson(h.t.Context(), name)
	if err != nil {
		h.t.Fatal(err)
	}
	consent := house.Consent{GivenBy: name, GivenAt: time.Now(), Scope: "being recognised"}
	if err := h.archive.RecordConsent(h.t.Context(), p.ID, consent); err != nil {
		h.t.Fatal(err)
	}
	if err := h.archive.AddReference(h.t.Context(), house.Reference{Person: p.ID,
		Descriptor: house.Descriptor{1, second}}); err != nil {
		h.t.Fatal(err)
	}
	return p.ID
}

// Frames of one ring are judged together, in whichever order they come and by
// however many workers: each of them says the same in the end. A frame by
// itself would be a stranger's.
func TestRunJudgesFramesTogether(t *testing.T) {
	for _, workers := range []int{1, 3} {
		synctest.Test(t, func(t *testing.T) {
			h := newHouse(t)
			person := h.enrol("Tamsin Quill", 0)
			h.find = func(_ context.Context, width int) ([]house.Face, error) {
				seen := house.Face{Box: image.Rect(0, 0, 4, 4), Descriptor: house.Descriptor{1, float32(width) / 100}}
				beside := house.Face{Box: image.Rect(5, 0, 8, 4), Descriptor: house.Descriptor{-1}}
				return []house.Face{seen, beside}, nil
			}
			defer h.run(h.archive, workers)()
			visit := h.keepFrame("r", 0, 60)
			synctest.Wait()
			if m := h.still(visit).Faces[0].Match; m != nil {
				t.Fatalf("one frame makes %+v, want a stranger", m)
			}
			h.keepFrame("r", 1, 40)
			h.keepFrame("r", 2, 20)
			h.keepFrame("other", 0, 59) // another ring, which is judged by itself
			synctest.Wait()
			v, err := h.archive.Visit(t.Context(), visit)
			if err != nil {
				t.Fatal(err)
			}
			for _, s := range v.Stills {
				if len(s.Faces) != 2 || s.Faces[1].Match != nil {
					t.Fatalf("frame %d: %+v", s.Frame, s.Faces)
				}
				m := s.Faces[0].Match
				if m == nil || m.Person != person || m.Frames != 3 || m.Distance < 0.399 || m.Distance > 0.401 ||
					m.Probability <= 0 {
					t.Errorf("frame %d: %+v, want %s at 0.40 by 3 frames", s.Frame, m, person)
				}
			}
			if v.Kind != house.Known {
				t.Errorf("the visit is of the kind %s", v.Kind)
			}
		})
	}
}

// One bell's many stills keep another's waiting for no more than the still that is
// looked at already.
func TestRunTakesBellsInTurn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		if _, err := h.archive.AddBell(t.Context(), "shed"); err != nil {
			t.Fatal(err)
		}
		for width := 1; width <= 120; width++ { // more than the pipeline asks for at a time
			h.keep(width)
		}
		h.find = func(_ context.Context, width int) ([]house.Face, error) {
			if width == 3 {
				h.bell = "shed"
				h.keep(500)
				h.keep(501)
				h.bell = "gate"
			}
			return nil, nil
		}
		stop := h.run(h.archive, 1)
		synctest.Wait()
		stop()
		if want := []int{1, 2, 3, 500, 4, 501, 5}; len(h.seen) != 122 || !slices.Equal(h.seen[:len(want)], want) {
			t.Errorf("looked at %v, want %v first: %s", h.seen, want, h.log.String())
		}
	})
}

// A burst is as it is lived: frames come in any order, one is never there, one comes
// late. Those of the first five seconds say together who it is; one that comes later
// says it of itself alone, and changes nothing that was said.
//
// Outside: five seconds is what the household is promised; common practice, no source.
func TestRunBursts(t *testing.T) {
	for _, c := range []struct {
		name   string
		frames []int
		after  []time.Duration // of the first
		judged []int           // by how many frames each is judged in the end, by number
	}{
		{"in order", []int{0, 1, 2}, []time.Duration{0, time.Second, 2 * time.Second}, []int{3, 3, 3}},
		{"backwards", []int{2, 1, 0}, []time.Duration{0, time.Second, 2 * time.Second}, []int{3, 3, 3}},
		{"frame 0 never", []int{3, 1}, []time.Duration{0, time.Second}, []int{2, 2}},
		{"frame 0 last, after 4 s", []int{1, 2, 0}, []time.Duration{0, time.Second, 4 * time.Second}, []int{3, 3, 3}},
		{"one after 6 s", []int{0, 1, 2}, []time.Duration{0, time.Second, 6 * time.Second}, []int{2, 2, 1}},
		{"frame 0 after 6 s", []int{1, 2, 0}, []time.Duration{0, time.Second, 6 * time.Second}, []int{1, 2, 2}},
		{"one after 10 min", []int{0, 1, 2}, []time.Duration{0, time.Second, 10 * time.Minute}, []int{2, 2, 1}},
	} {
		synctest.Test(t, func(t *testing.T) {
			h := newHouse(t)
			h.enrol("Tamsin Quill", 0)
			h.find = func(_ context.Context, width int) ([]house.Face, error) {
				return []house.Face{{Box: image.Rect(0, 0, 4, 4), Descriptor: house.Descriptor{1, 0.1}}}, nil
			}
			defer h.run(h.archive, 2)()
			var visit string
			began := time.Now()
			for i, frame := range c.frames {
				time.Sleep(c.after[i] - time.Since(began))
				visit = h.keepFrame("r", frame, 16+16*frame)
				synctest.Wait()
			}
			v, err := h.archive.Visit(t.Context(), visit)
			if err != nil {
				t.Fatal(err)
			}
			var judged []int
			for _, s := range v.Stills {
				if len(s.Faces) != 1 || s.Faces[0].Match == nil {
					t.Fatalf("%s: frame %d: %+v", c.name, s.Frame, s.Faces)
				}
				judged = append(judged, s.Faces[0].Match.Frames)
			}
			if !slices.Equal(judged, c.judged) {
				t.Errorf("%s: judged by %v frames, want %v", c.name, judged, c.judged)
			}
		})
	}
}

// Somebody enrolled while the pipeline runs is found at once, and somebody
// erased is not found any more.
func TestRunKeepsTheGalleryCurrent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		h.find = func(context.Context, int) ([]house.Face, error) {
			return []house.Face{{Box: image.Rect(0, 0, 4, 4), Descriptor: house.Descriptor{1, 0.1}}}, nil
		}
		defer h.run(h.archive, 1)()
		named := func(width int) string {
			visit := h.keep(width)
			synctest.Wait()
			if m := h.still(visit).Faces[0].Match; m != nil {
				return m.Person
			}
			return ""
		}
		if got := named(10); got != "" {
			t.Errorf("with nobody enrolled %s was found", got)
		}
		person := h.enrol("Tamsin Quill", 0)
		if got := named(11); got != person {
			t.Errorf("found %q, want %s, who was just enrolled", got, person)
		}
		if _, err := h.archive.ErasePerson(t.Context(), person, false); err != nil {
			t.Fatal(err)
		}
		if got := named(12); got != "" {
			t.Errorf("found %s, who was erased", got)
		}
	})
}

// A bell whose turn it is has it before others, but not with an old still before a
// new one of theirs.
func TestOrder(t *testing.T) {
	var turns rota
	turns.had("shed")
	turns.had("gate")
	for _, test := range []struct{ stills, want []house.Still }{
		{[]house.Still{{ID: "1", Bell: "gate"}, {ID: "2", Bell: "shed"}}, []house.Still{{ID: "2", Bell: "shed"}, {ID: "1", Bell: "gate"}}},
		{[]house.Still{{ID: "1", Bell: "shed", Behind: true}, {ID: "2", Bell: "gate"}},
			[]house.Still{{ID: "2", Bell: "gate"}, {ID: "1", Bell: "shed", Behind: true}}},
		{[]house.Still{{ID: "1", Bell: "new", Imported: true}, {ID: "2", Bell: "gate", Behind: true}, {ID: "3", Bell: "gate"}},
			[]house.Still{{ID: "3", Bell: "gate"}, {ID: "2", Bell: "gate", Behind: true}, {ID: "1", Bell: "new", Imported: true}}},
	} {
		got := turns.order(slices.Clone(test.stills))
		if !slices.EqualFunc(got, test.want, func(a, b house.Still) bool { return a.ID == b.ID }) {
			t.Errorf("%+v, want %+v", got, test.want)
		}
	}
}

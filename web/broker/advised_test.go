package broker

import (
	"context"
	"crypto/sha256"
	"errors"
	"time"

	"lintel/internal/house"
	"lintel/internal/mailbox"
	"lintel/pipeline/advice/advisor"
	"lintel/pipeline/advice/message"
)

// advise has an advisor give advice until the test ends. A rule lets Ada be
// suggested at the front door, at any time, by a token.
func (h *household) advise() {
	h.t.Helper()
	ctx := h.t.Context()
	_, err := h.archive.SetDoorRule(ctx, house.DoorRule{
		Person: h.ada, Door: h.door, Allowed: true, Days: [7]bool{true, true, true, true, true, true, true}, To: 24 * 60,
		Factors: []house.FactorKind{house.FactorToken}, Need: 1, Band: "strong", Liveness: house.NoSign,
	})
	err = errors.Join(err,
		h.archive.RecordConsent(ctx, h.ada, house.Consent{GivenBy: "Ada Quill", GivenAt: h.now(),
			Scope: "being recognised"}),
		h.archive.AddReference(ctx, house.Reference{Person: h.ada, Descriptor: house.Descriptor{0.1}}))
	if err != nil {
		h.t.Fatal(err)
	}
	began := h.now()
	c := advisor.New(h.archive, h.broker, h.broker.Log, h.now,
		advisor.NewClock(h.now, func() time.Duration { return h.now().Sub(began) }))
	h.listening.Store(c.Listening)
	ended := make(chan bool)
	counselling, stop := context.WithCancel(ctx)
	go func() {
		c.Run(counselling)
		close(ended)
	}()
	h.t.Cleanup(func() {
		stop()
		<-ended
	})
}

// comesHome has Ada ring, on two stills, and the reader see her token.
func (h *household) comesHome() (visit string) {
	h.t.Helper()
	ctx := h.t.Context()
	face := house.Face{
		Descriptor: house.Descriptor{0.1},
		Quality: &house.Quality{FaceWidth: 180, EyeDistance: 70, PixelsPerMetre: 900, Sharpness: 0.2, Luma: 120,
			Clipped: 0.01, Contrast: 0.2, Yaw: 4, Roll: 2},
		Liveness: &house.Liveness{Level: house.NoSign, Probability: 0.02, Frames: 2},
		Match:    &house.Match{Person: h.ada, Distance: 0.31, FPIR: 2e-6, Band: "strong", Probability: 0.99, Frames: 2},
	}
	var err error
	for frame := range 2 {
		body := []byte{byte(frame)}
		if visit, _, err = h.archive.Keep(ctx, house.NewStill{
			Bell: h.bell, Ring: "R", Frame: frame, SentSHA256: sha256.Sum256(body), JPEG: body, Width: 640, Height: 480,
			ReceivedAt: h.now(), TakenAt: h.now(),
		}); err != nil {
			h.t.Fatal(err)
		}
	}
	v, err := h.archive.Visit(ctx, visit)
	if err != nil {
		h.t.Fatal(err)
	}
	for _, still := range v.Stills {
		if err := h.archive.Record(ctx, still.ID, house.Done, []house.Face{face}); err != nil {
			h.t.Fatal(err)
		}
	}
	s := h.connect(h.reader)
	if err := s.done(s.Publish("lintel/factors/"+h.ada, 1, false, h.signed("brass"))); err != nil {
		h.t.Fatal(err)
	}
	return visit
}

// open reads a message to the receiver.
func (h *household) open(text []byte) (message.Message, error) {
	return mailbox.Open(text, h.receiver.name, h.key, h.now(), func(string) bool { return false })
}

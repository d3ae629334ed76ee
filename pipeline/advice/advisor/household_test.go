package advisor

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"image"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"lintel/internal/house"
	"lintel/internal/mailbox"
	"lintel/pipeline/advice/message"
	"lintel/store"
	"lintel/store/seal"
)

// Every test runs in a bubble of package synctest. There, synctest.Wait waits
// until the advisor can't go on by itself, and time stands still meanwhile. A bubble
// also fails the test if a goroutine is left when it ends.

// A household is an advisor on a real archive: one bell that rings at the front door
// and at a garage for parcels, and a person who may be suggested at the front
// door all day, with one factor. The front door has two receivers, the garage one.
type household struct {
	t             *testing.T
	archive       *store.Archive
	advisor       *Advisor
	log           bytes.Buffer
	publisher     publisher
	ada           string
	front, garage string
	receivers     []house.Receiver // two of the front door, one of the garage
	rings, frames int
	ahead         atomic.Int64 // of the server's clock, in ns, once it was set
}

// A publisher keeps what is sent.
type publisher struct {
	mu   sync.Mutex
	sent []parcel
	err  error
}

type parcel struct {
	receiver string
	text     []byte
}

func (p *publisher) Publish(_ context.Context, receiver string, message []byte) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.err == nil {
		p.sent = append(p.sent, parcel{receiver, message})
	}
	return p.err
}

// fail has sending fail from now on.
func (p *publisher) fail(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.err = err
}

// take returns what was sent since it was asked last.
func (p *publisher) take() (sent []parcel) {
	p.mu.Lock()
	defer p.mu.Unlock()
	sent, p.sent = p.sent, nil
	return sent
}

// now is the server's clock.
func (h *household) now() time.Time { return time.Now().Add(time.Duration(h.ahead.Load())) }

func newHouse(t *testing.T) *household {
	t.Helper()
	h := &household{t: t}
	ctx := t.Context()
	var err error
	if h.archive, err = store.Open(ctx, t.TempDir(), seal.Key{1}, h.now); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { h.archive.Close() })
	if _, err := h.archive.AddBell(ctx, "gate"); err != nil {
		t.Fatal(err)
	}
	ada, err := h.archive.AddPerson(ctx, "Ada Quill")
	h.must(err)
	h.ada = ada.ID
	h.must(h.archive.RecordConsent(ctx, h.ada,
		house.Consent{GivenBy: "Ada Quill", GivenAt: h.now(), Scope: "being recognised"}))
	h.must(h.archive.AddReference(ctx, house.Reference{Person: h.ada, Descriptor: house.Descriptor{0.1}}))
	h.front, err = h.archive.SetDoor(ctx, house.Door{Name: "Front door", Bell: "gate", Tell: house.TellAtOnce})
	h.must(err)
	h.garage, err = h.archive.SetDoor(ctx, house.Door{Name: "Garage", Bell: "gate", Parcel: true})
	h.must(err)
	_, err = h.archive.SetDoorRule(ctx, house.DoorRule{
		Person: h.ada, Door: h.front, Allowed: true, Days: [7]bool{true, true, true, true, true, true, true}, From: 0,
		To:      24 * 60,
		Factors: []house.FactorKind{house.FactorArrival, house.FactorCode}, Need: 1, Band: "strong", Liveness: house.NoSign,
	})
	h.must(err)
	for _, door := range []string{h.front, h.front, h.garage} {
		r, _, err := h.archive.AddReceiver(ctx, door, "a receiver")
		h.must(err)
		h.receivers = append(h.receivers, r)
	}
	return h
}

func (h *household) must(err error) {
	h.t.Helper()
	if err != nil {
		h.t.Fatal(err)
	}
}

// run runs an advisor. The function it returns stops it and waits for it.
func (h *household) run(archive Archive) (stop func()) {
	h.t.Helper()
	began := time.Now()
	h.advisor = New(archive, &h.publisher, slog.New(slog.NewTextHandler(&h.log, nil)), h.now,
		NewClock(h.now, func() time.Duration { return time.Since(began) }))
	ctx, cancel := context.WithCancel(h.t.Context())
	done := make(chan bool)
	go func() {
		h.advisor.Run(ctx)
		close(done)
	}()
	synctest.Wait()
	return func() {
		cancel()
		<-done
		if log := h.log.String(); strings.Contains(log, "Ada") || strings.Contains(log, h.ada) {
			h.t.Errorf("the log names somebody: %s", log)
		}
	}
}

// ring keeps a ring of two stills that show the same face, and what was found.
func (h *household) ring(face house.Face) (visit string) {
	h.t.Helper()
	h.rings++
	for frame := range 2 {
		body := fmt.Appendf(nil, "%d %d", h.rings, frame)
		var err error
		visit, _, err = h.archive.Keep(h.t.Context(), house.NewStill{
			Bell: "gate", Ring: fmt.Sprint(h.rings), Frame: frame, SentSHA256: sha256.Sum256(body),
			JPEG: body, Width: 640, Height: 480, ReceivedAt: h.now(), TakenAt: h.now(),
		})
		h.must(err)
	}
	v, err := h.archive.Visit(h.t.Context(), visit)
	h.must(err)
	for _, s := range v.Stills {
		h.must(h.archive.Record(h.t.Context(), s.ID, house.Done, []house.Face{face}))
	}
	synctest.Wait()
	return visit
}

// frame keeps another still of the last ring, and what was found, if anything was
// found yet; what changes for the ring's other stills is not judged here.
func (h *household) frame(state house.StillState, faces ...house.Face) (visit string) {
	h.t.Helper()
	h.frames++
	body := fmt.Appendf(nil, "%d more %d", h.rings, h.frames)
	visit, _, err := h.archive.Keep(h.t.Context(), house.NewStill{
		Bell: "gate", Ring: fmt.Sprint(h.rings), Frame: 1 + h.frames, SentSHA256: sha256.Sum256(body),
		JPEG: body, Width: 640, Height: 480, ReceivedAt: h.now(), TakenAt: h.now(),
	})
	h.must(err)
	if state != house.Pending {
		v, err := h.archive.Visit(h.t.Context(), visit)
		h.must(err)
		h.must(h.archive.Record(h.t.Context(), v.Stills[len(v.Stills)-1].ID, state, faces))
	}
	synctest.Wait()
	return visit
}

// opened reads a message as the receiver it went to.
func (h *household) opened(p parcel) message.Message {
	h.t.Helper()
	i := slices.IndexFunc(h.receivers, func(r house.Receiver) bool { return r.ID == p.receiver })
	m, err := mailbox.Open(p.text, p.receiver, message.Key(h.receivers[i].Key), h.now(),
		func(string) bool { return false })
	h.must(err)
	return m
}

// withdrawn checks that what was suggested at the front door is withdrawn for these
// reasons, and that both receivers are told of it, by the nonce.
func (h *household) withdrawn(visit string, codes ...string) {
	h.t.Helper()
	d := h.advice(visit, h.front)
	if d.State != house.Withdrawn || !slices.Equal(d.Unmet(), codes) || d.EndedAt.IsZero() || d.By != house.ByItself {
		h.t.Errorf("advice is %s by %q, not met %v; want %v", d.State, d.By, d.Unmet(), codes)
	}
	sent := h.publisher.take()
	if len(sent) != 2 {
		h.t.Errorf("%d messages, want 2", len(sent))
	}
	for _, p := range sent {
		if m := h.opened(p); m.Action != message.Withdraw || m.Visit != visit || m.Kind != message.Person {
			h.t.Errorf("message %+v", m)
		}
	}
}

// stranger is a face of nobody known that meets all else that is asked.
func stranger() house.Face {
	return house.Face{
		Box: image.Rect(100, 100, 300, 300), Descriptor: house.Descriptor{0.1},
		Quality: &house.Quality{FaceWidth: 180, EyeDistance: 70, PixelsPerMetre: 900, Sharpness: 0.2, Luma: 120,
			Clipped: 0.01, Contrast: 0.2, Yaw: 4, Roll: 2},
		Liveness: &house.Liveness{Level: house.NoSign, Probability: 0.02, Frames: 2},
	}
}

func (h *household) face() house.Face {
	f := stranger()
	f.Match = &house.Match{Person: h.ada, Distance: 0.31, FPIR: 2e-6, Band: "strong", Probability: 0.99, Frames: 2}
	return f
}

// arrive gives a factor of Ada's.
func (h *household) arrive() (factor string) {
	h.t.Helper()
	id, err := h.archive.AddFactor(h.t.Context(), house.Factor{
		Kind: house.FactorArrival, Person: h.ada, Source: "PHONE", At: h.now(), Until: h.now().Add(5 * time.Minute),
		Strength: 0.5,
	})
	h.must(err)
	synctest.Wait()
	return id
}

// advice is what there is about a visit at a door; it has no ID if there is none.
func (h *household) advice(visit, door string) (d house.Advice) {
	h.t.Helper()
	all, err := h.archive.AdviceOn(h.t.Context(), visit)
	h.must(err)
	for _, a := range all {
		if a.Door != door {
			continue
		}
		if d.ID != "" {
			h.t.Errorf("two advices on one visit at one door: %+v, %+v", d, a)
		}
		d = a
	}
	return d
}

func unmet(d house.Advice) (codes []string) {
	for _, c := range d.Conditions {
		if !c.Met {
			codes = append(codes, c.Code)
		}
	}
	return codes
}

// suggested checks that a suggestion is open at the front door, and the messages
// of it.
func (h *household) suggested(visit, factor string) house.Advice {
	h.t.Helper()
	d := h.advice(visit, h.front)
	if d.State != house.Suggested || len(d.Conditions) != 17 || len(unmet(d)) > 0 || d.Person != h.ada ||
		!slices.Equal(d.Factors, []string{factor}) || !d.At.Equal(h.now()) || !d.ExpiresAt.Equal(h.now().Add(time.Minute)) {
		h.t.Errorf("advice %+v, not met %v", d, unmet(d))
	}
	sent := h.publisher.take()
	if len(sent) != 2 {
		h.t.Errorf("%d messages, want 2", len(sent))
	}
	for _, r := range h.receivers[:2] {
		i := slices.IndexFunc(sent, func(p parcel) bool { return p.receiver == r.ID })
		if i < 0 {
			h.t.Errorf("no message to receiver %s", r.ID)
			continue
		}
		l, err := mailbox.Open(sent[i].text, r.ID, message.Key(r.Key), h.now(), func(string) bool { return false })
		if err != nil || l.Visit != visit || l.Door != h.front || l.Bell != "gate" || l.Kind != message.Person ||
			!l.ExpiresAt.Equal(d.ExpiresAt.Truncate(time.Second)) {
			h.t.Errorf("message %+v, %v", l, err)
		}
	}
	return d
}

// withheld checks that something is withheld at the front door for these
// reasons, and that no message was sent.
func (h *household) withheld(visit string, codes ...string) {
	h.t.Helper()
	if d := h.advice(visit, h.front); d.State != house.Withheld || !slices.Equal(unmet(d), codes) {
		h.t.Errorf("advice is %s, not met %v; want %v", d.State, unmet(d), codes)
	}
	if sent := h.publisher.take(); len(sent) > 0 {
		h.t.Errorf("%d messages were sent", len(sent))
	}
}

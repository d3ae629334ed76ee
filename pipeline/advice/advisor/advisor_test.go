package advisor

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
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
	"lintel/pipeline/advice/policy"
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
	rings         int
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
	p.sent = append(p.sent, parcel{receiver, message})
	return p.err
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
	h.must(h.archive.RecordConsent(ctx, h.ada, house.Consent{GivenBy: "Ada Quill", GivenAt: h.now(), Scope: "being recognised"}))
	h.must(h.archive.AddReference(ctx, house.Reference{Person: h.ada, Descriptor: house.Descriptor{0.1}}))
	h.front, err = h.archive.SetDoor(ctx, house.Door{Name: "Front door", Bell: "gate"})
	h.must(err)
	h.garage, err = h.archive.SetDoor(ctx, house.Door{Name: "Garage", Bell: "gate", Parcel: true})
	h.must(err)
	_, err = h.archive.SetDoorRule(ctx, house.DoorRule{
		Person: h.ada, Door: h.front, Allowed: true, Days: [7]bool{true, true, true, true, true, true, true}, From: 0, To: 24 * 60,
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
		Kind: house.FactorArrival, Person: h.ada, Source: "PHONE", At: h.now(), Until: h.now().Add(5 * time.Minute), Strength: 0.5,
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
		if err != nil || l.Visit != visit || l.Door != h.front || l.Bell != "gate" || l.Kind != message.Person || !l.ExpiresAt.Equal(d.ExpiresAt.Truncate(time.Second)) {
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

func TestSuggests(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		defer h.run(h.archive)()
		factor := h.arrive()
		visit := h.ring(h.face())
		h.suggested(visit, factor)
		if d := h.advice(visit, h.garage); d.State != house.Withheld {
			t.Errorf("at the garage, where no rule allows: %+v", d)
		}
		factors, err := h.archive.FactorsSince(t.Context(), h.now())
		if h.must(err); len(factors) != 1 || factors[0].UsedBy != h.advice(visit, h.front).ID {
			t.Errorf("the factor is not used: %+v", factors)
		}
	})
}

// Without a factor nothing is suggested, until one comes.
func TestFactorComes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		defer h.run(h.archive)()
		visit := h.ring(h.face())
		h.withheld(visit, policy.Factors)
		time.Sleep(20 * time.Second)
		h.suggested(visit, h.arrive())
	})
}

// What was suggested once is never suggested again, and no message written twice,
// whatever comes.
func TestOnce(t *testing.T) {
	for _, end := range []house.AdviceState{house.Used, house.Dismissed, house.Expired} {
		synctest.Test(t, func(t *testing.T) {
			h := newHouse(t)
			rules := house.DefaultAdviceRules()
			rules.Expiry = 15 * time.Second // so that the ring is still fresh when it ended
			h.must(h.archive.SetAdviceRules(t.Context(), rules))
			stop := h.run(h.archive)
			h.arrive()
			visit := h.ring(h.face())
			d := h.advice(visit, h.front)
			if d.State != house.Suggested || len(h.publisher.take()) != 2 {
				t.Fatalf("advice %+v", d)
			}
			if end == house.Expired {
				time.Sleep(15 * time.Second)
				synctest.Wait()
			} else {
				h.must(h.archive.EndAdvice(t.Context(), d.ID, end))
			}
			h.arrive()
			stop()
			h.run(h.archive)() // a start anew
			if got := h.advice(visit, h.front); got.State != end || got.ID != d.ID {
				t.Errorf("%s: advice %+v", end, got)
			}
			if sent := h.publisher.take(); len(sent) > 0 {
				t.Errorf("%s: %d more messages", end, len(sent))
			}
		})
	}
}

// A message that could not be sent is not sent later: nobody waits for it.
func TestPostFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		defer h.run(h.archive)()
		h.publisher.err = errors.New("the publisher is down")
		visit := h.ring(h.face())
		h.suggested(visit, h.arrive()) // tried with both, all the same
		h.publisher.err = nil
		h.arrive()
		if sent := h.publisher.take(); len(sent) > 0 {
			t.Errorf("%d messages again", len(sent))
		}
		if log := h.log.String(); !strings.Contains(log, "the publisher is down") || !strings.Contains(log, h.receivers[0].ID) || !strings.Contains(log, h.receivers[1].ID) {
			t.Errorf("log: %s", log)
		}
	})
}

func TestExpires(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		rules := house.DefaultAdviceRules()
		rules.Expiry = 40 * time.Second
		h.must(h.archive.SetAdviceRules(t.Context(), rules))
		defer h.run(h.archive)()
		h.arrive()
		visit := h.ring(h.face())
		time.Sleep(rules.Expiry - time.Microsecond)
		synctest.Wait()
		d := h.advice(visit, h.front)
		if d.State != house.Suggested || !d.ExpiresAt.Equal(h.now().Add(time.Microsecond)) {
			t.Errorf("before its time: %+v", d)
		}
		time.Sleep(time.Microsecond)
		synctest.Wait()
		if got := h.advice(visit, h.front); got.State != house.Expired || got.ID != d.ID {
			t.Errorf("after its time: %+v", got)
		}
		if err := h.archive.EndAdvice(t.Context(), d.ID, house.Used); !errors.Is(err, house.ErrTaken) {
			t.Errorf("used after its time: %v", err)
		}
	})
}

// A minute after the ring no factor makes a suggestion of it.
func TestTooLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		defer h.run(h.archive)()
		visit := h.ring(h.face())
		time.Sleep(policy.MaxAge)
		h.arrive()
		h.withheld(visit, policy.Factors) // as it was left
	})
	synctest.Test(t, func(t *testing.T) { // and just before, it does
		h := newHouse(t)
		defer h.run(h.archive)()
		visit := h.ring(h.face())
		time.Sleep(policy.MaxAge - time.Millisecond)
		h.suggested(visit, h.arrive())
	})
}

func TestWrongSecret(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		defer h.run(h.archive)()
		h.advisor.Refused("another bell")
		h.suggested(h.ring(h.face()), h.arrive())
		h.advisor.Refused("gate")
		h.arrive()
		h.withheld(h.ring(h.face()), policy.Healthy)
		time.Sleep(policy.AfterRefusal - time.Second)
		h.arrive()
		visit := h.ring(h.face())
		h.withheld(visit, policy.Healthy)
		time.Sleep(time.Second)
		h.suggested(visit, h.arrive())
	})
}

// TestTrial has somebody allowed ring at the bell while pictures are tried there,
// with a factor: nothing is suggested, nor once the trial is over, and what was
// suggested when it began is dismissed.
func TestTrial(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		defer h.run(h.archive)()
		before := h.ring(h.face())
		h.suggested(before, h.arrive())
		if _, err := h.archive.AddBell(t.Context(), "yard"); err != nil {
			t.Fatal(err)
		}
		trial, err := h.archive.StartTrial(t.Context(), "yard", "R")
		h.must(err)
		synctest.Wait()
		if d := h.advice(before, h.front); d.State != house.Suggested {
			t.Errorf("by a trial at another bell it is %s", d.State)
		}
		h.must(h.archive.EndTrial(t.Context(), trial))
		trial, err = h.archive.StartTrial(t.Context(), "gate", "R")
		h.must(err)
		if d := h.advice(before, h.front); d.State != house.Dismissed {
			t.Errorf("what was suggested is %s", d.State)
		}
		h.arrive()
		visit := h.ring(h.face())
		h.withheld(visit, policy.Healthy)
		h.must(h.archive.EndTrial(t.Context(), trial))
		synctest.Wait()
		h.withheld(visit, policy.Healthy)
		// Nor by a decision that began before the trial did.
		if _, err := h.archive.AddAdvice(t.Context(), house.Advice{Visit: visit, Door: h.front, Person: h.ada, State: house.Suggested, At: h.now(), ExpiresAt: h.now().Add(time.Minute)}); !errors.Is(err, house.ErrTaken) {
			t.Errorf("kept all the same: %v", err)
		}
		time.Sleep(time.Second)
		after := h.ring(h.face())
		if d := h.advice(after, h.front); d.State != house.Suggested {
			t.Errorf("after the trial it is %s, not met %v", d.State, unmet(d))
		}
		h.publisher.take()
		// One that nobody ends is over by itself.
		_, err = h.archive.StartTrial(t.Context(), "gate", "R")
		h.must(err)
		time.Sleep(house.TrialLasts - time.Second)
		h.arrive()
		h.withheld(h.ring(h.face()), policy.Healthy)
		time.Sleep(time.Second)
		visit = h.ring(h.face())
		if d := h.advice(visit, h.front); d.State != house.Suggested {
			t.Errorf("at its end it is %s, not met %v", d.State, unmet(d))
		}
	})
}

func TestClockJumps(t *testing.T) {
	for _, jump := range []time.Duration{3 * time.Second, 5 * time.Minute, -3 * time.Second} {
		synctest.Test(t, func(t *testing.T) {
			h := newHouse(t)
			defer h.run(h.archive)()
			h.ahead.Store(int64(jump))
			h.arrive()
			visit := h.ring(h.face())
			if d := h.advice(visit, h.front); d.State != house.Withheld || !slices.Contains(unmet(d), policy.Clock) {
				t.Errorf("after %v: %s, not met %v", jump, d.State, unmet(d))
			}
			if sent := h.publisher.take(); len(sent) > 0 {
				t.Errorf("after %v: %d messages", jump, len(sent))
			}
			time.Sleep(policy.AfterJump)
			synctest.Wait()
			visit = h.ring(h.face())
			h.suggested(visit, h.arrive())
		})
	}
	synctest.Test(t, func(t *testing.T) { // a clock that is steered does not jump
		h := newHouse(t)
		defer h.run(h.archive)()
		for range 10 {
			h.ahead.Add(int64(time.Second))
			time.Sleep(lookAgain)
		}
		visit := h.ring(h.face())
		h.suggested(visit, h.arrive())
	})
}

// Of two visits that one factor would do for, one gets it.
func TestOneFactor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		defer h.run(h.archive)()
		first := h.ring(h.face())
		time.Sleep(10 * time.Second)
		second := h.ring(h.face())
		factor := h.arrive()
		h.suggested(second, factor) // the newest is decided on first
		h.withheld(first, policy.Factors)
		time.Sleep(time.Second)
		h.suggested(first, h.arrive())
	})
}

// An eventful archive does something before advice is kept, once.
type eventful struct {
	*store.Archive
	before func()
}

func (e *eventful) AddAdvice(ctx context.Context, d house.Advice, persons ...string) (string, error) {
	if e.before != nil && d.State == house.Suggested {
		before := e.before
		e.before = nil
		before()
	}
	return e.Archive.AddAdvice(ctx, d, persons...)
}

// What a suggestion would rest on goes in the very moment it is made.
func TestTakenMeanwhile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		archive := &eventful{Archive: h.archive}
		defer h.run(archive)()
		visit, other := h.ring(h.face()), h.ring(stranger())
		var by string
		archive.before = func() { // somebody else takes the factor
			factors, err := h.archive.FactorsSince(t.Context(), h.now())
			if err == nil {
				by, err = h.archive.AddAdvice(t.Context(), house.Advice{
					Visit: other, Door: h.garage, State: house.Suggested, At: h.now(), ExpiresAt: h.now().Add(time.Minute), Factors: []string{factors[0].ID},
				})
			}
			if err != nil {
				t.Error(err)
			}
		}
		h.arrive()
		if by == "" || strings.Contains(h.log.String(), "ERROR") {
			t.Errorf("suggested for %q, log %s", by, h.log.String())
		}
		h.withheld(visit, policy.Factors)
	})
}

func TestErasedMeanwhile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		archive := &eventful{Archive: h.archive}
		defer h.run(archive)()
		visit := h.ring(h.face())
		erased := false
		archive.before = func() {
			erased = h.archive.EraseVisit(t.Context(), visit) == nil
		}
		h.arrive()
		if d := h.advice(visit, h.front); !erased || d.ID != "" {
			t.Errorf("erased %v, advice %+v", erased, d)
		}
		if sent := h.publisher.take(); len(sent) > 0 {
			t.Errorf("%d messages", len(sent))
		}
		if strings.Contains(h.log.String(), "ERROR") {
			t.Errorf("log: %s", h.log.String())
		}
		factors, err := h.archive.FactorsSince(t.Context(), h.now())
		if h.must(err); len(factors) != 1 || factors[0].UsedBy != "" {
			t.Errorf("the factor is lost: %+v", factors)
		}
	})
}

// A failing archive fails at one call, named.
type failing struct {
	*store.Archive
	at string
}

var errDisk = errors.New("the disk is gone")

func (f *failing) err(at string) error {
	if f.at == at {
		return errDisk
	}
	return nil
}

func either[T any](v T, err, mine error) (T, error) {
	if mine != nil {
		var none T
		return none, mine
	}
	return v, err
}

func (f *failing) LatestVisits(ctx context.Context, n int) ([]house.Visit, error) {
	v, err := f.Archive.LatestVisits(ctx, n)
	return either(v, err, f.err("LatestVisits"))
}
func (f *failing) Bells(ctx context.Context) ([]house.Bell, error) {
	v, err := f.Archive.Bells(ctx)
	return either(v, err, f.err("Bells"))
}
func (f *failing) Doors(ctx context.Context) ([]house.Door, error) {
	v, err := f.Archive.Doors(ctx)
	return either(v, err, f.err("Doors"))
}
func (f *failing) DoorRules(ctx context.Context) ([]house.DoorRule, error) {
	v, err := f.Archive.DoorRules(ctx)
	return either(v, err, f.err("DoorRules"))
}
func (f *failing) ParcelRules(ctx context.Context) ([]house.ParcelRule, error) {
	v, err := f.Archive.ParcelRules(ctx)
	return either(v, err, f.err("ParcelRules"))
}
func (f *failing) AdviceRules(ctx context.Context) (house.AdviceRules, error) {
	v, err := f.Archive.AdviceRules(ctx)
	return either(v, err, f.err("AdviceRules"))
}
func (f *failing) Rules(ctx context.Context) (house.Rules, error) {
	v, err := f.Archive.Rules(ctx)
	return either(v, err, f.err("Rules"))
}
func (f *failing) Persons(ctx context.Context) ([]house.Person, error) {
	v, err := f.Archive.Persons(ctx)
	return either(v, err, f.err("Persons"))
}
func (f *failing) FactorsSince(ctx context.Context, t time.Time) ([]house.Factor, error) {
	v, err := f.Archive.FactorsSince(ctx, t)
	return either(v, err, f.err("FactorsSince"))
}
func (f *failing) MissesSince(ctx context.Context, t time.Time) ([]house.Miss, error) {
	v, err := f.Archive.MissesSince(ctx, t)
	return either(v, err, f.err("MissesSince"))
}
func (f *failing) AdviceOn(ctx context.Context, visits ...string) ([]house.Advice, error) {
	v, err := f.Archive.AdviceOn(ctx, visits...)
	return either(v, err, f.err("AdviceOn"))
}
func (f *failing) GalleryRevision(ctx context.Context) (int64, error) {
	v, err := f.Archive.GalleryRevision(ctx)
	return either(v, err, f.err("GalleryRevision"))
}
func (f *failing) Gallery(ctx context.Context) ([]house.Reference, error) {
	v, err := f.Archive.Gallery(ctx)
	return either(v, err, f.err("Gallery"))
}
func (f *failing) AddAdvice(ctx context.Context, d house.Advice, persons ...string) (string, error) {
	if err := f.err("AddAdvice"); err != nil {
		return "", err
	}
	return f.Archive.AddAdvice(ctx, d, persons...)
}
func (f *failing) Receivers(ctx context.Context) ([]house.Receiver, error) {
	v, err := f.Archive.Receivers(ctx)
	return either(v, err, f.err("Receivers"))
}
func (f *failing) Advice(ctx context.Context, id string) (house.Advice, error) {
	v, err := f.Archive.Advice(ctx, id)
	return either(v, err, f.err("Advice"))
}
func (f *failing) ExpireAdvice(ctx context.Context) (time.Time, error) {
	v, err := f.Archive.ExpireAdvice(ctx)
	return either(v, err, f.err("ExpireAdvice"))
}

// Whatever of the archive fails, nothing is suggested, no message is sent, and
// the log says it. Once it works again, so does the advisor.
func TestArchiveFails(t *testing.T) {
	for _, at := range []string{
		"LatestVisits", "Bells", "Doors", "DoorRules", "ParcelRules", "AdviceRules", "Rules", "Persons", "FactorsSince", "MissesSince",
		"AdviceOn", "GalleryRevision", "Gallery", "AddAdvice", "ExpireAdvice",
	} {
		synctest.Test(t, func(t *testing.T) {
			h := newHouse(t)
			archive := &failing{h.archive, at}
			defer h.run(archive)()
			h.arrive()
			visit := h.ring(h.face())
			if d := h.advice(visit, h.front); d.ID != "" {
				t.Errorf("%s fails: %+v", at, d)
			}
			if sent := h.publisher.take(); len(sent) > 0 {
				t.Errorf("%s fails: %d messages", at, len(sent))
			}
			if !strings.Contains(h.log.String(), errDisk.Error()) {
				t.Errorf("%s fails: the log is silent", at)
			}
			archive.at = ""
			h.arrive()
			if d := h.advice(visit, h.front); d.State != house.Suggested {
				t.Errorf("%s works again: %s, not met %v", at, d.State, unmet(d))
			}
		})
	}
	for _, at := range []string{"Advice", "Receivers"} { // after it was kept: the message is lost
		synctest.Test(t, func(t *testing.T) {
			h := newHouse(t)
			archive := &failing{h.archive, at}
			defer h.run(archive)()
			h.arrive()
			visit := h.ring(h.face())
			archive.at = ""
			h.arrive()
			if d := h.advice(visit, h.front); d.State != house.Suggested || len(h.publisher.take()) > 0 {
				t.Errorf("%s failed: %s, or a message late", at, d.State)
			}
			if !strings.Contains(h.log.String(), errDisk.Error()) {
				t.Errorf("%s fails: the log is silent", at)
			}
		})
	}
}

// A parcel that is expected may be left by whoever rings, at the door that is
// for it, once.
func TestParcel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		defer h.run(h.archive)()
		before := h.ring(stranger())
		if d := h.advice(before, h.garage); d.State != house.Withheld {
			t.Errorf("before it is expected: %+v", d)
		}
		expect := func(door string) (string, error) {
			return h.archive.AddParcelRule(t.Context(), house.ParcelRule{
				Door: door, Note: "a box of bulbs", From: h.now(), To: h.now().Add(time.Hour), Window: 30 * time.Second,
			})
		}
		if _, err := expect(h.front); !errors.Is(err, house.ErrHouseDoor) {
			t.Errorf("at the house's own door: %v", err)
		}
		time.Sleep(2 * time.Minute)
		rule, err := expect(h.garage)
		h.must(err)
		synctest.Wait()
		visit := h.ring(stranger())
		d := h.advice(visit, h.garage)
		if d.State != house.Suggested || d.Parcel != rule || d.Person != "" || len(unmet(d)) > 0 || !d.ExpiresAt.Equal(h.now().Add(30*time.Second)) {
			t.Errorf("advice %+v, not met %v", d, unmet(d))
		}
		sent, r := h.publisher.take(), h.receivers[2]
		if len(sent) != 1 || sent[0].receiver != r.ID {
			t.Fatalf("messages %v", sent)
		}
		l, err := mailbox.Open(sent[0].text, r.ID, message.Key(r.Key), h.now(), func(string) bool { return false })
		if err != nil || l.Kind != message.Parcel || l.Door != h.garage {
			t.Errorf("message %+v, %v", l, err)
		}
		if d := h.advice(visit, h.front); d.State != house.Withheld || d.Parcel != "" {
			t.Errorf("at the front door: %+v", d)
		}
		again := h.ring(stranger())
		if d := h.advice(again, h.garage); d.State != house.Withheld || len(h.publisher.take()) > 0 {
			t.Errorf("a second parcel: %+v", d)
		}
	})
}

// A face that looks like a picture
// withholds for a person and a parcel alike.
func TestPicture(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		defer h.run(h.archive)()
		_, err := h.archive.AddParcelRule(t.Context(), house.ParcelRule{Door: h.garage, From: h.now(), To: h.now().Add(time.Hour), Window: time.Minute})
		h.must(err)
		f := h.face()
		f.Liveness = &house.Liveness{Level: house.Picture, Probability: 0.98, Frames: 2}
		h.arrive()
		visit := h.ring(f)
		h.withheld(visit, policy.Sign)
		if d := h.advice(visit, h.garage); d.State != house.Withheld {
			t.Errorf("at the garage: %+v", d)
		}
	})
}

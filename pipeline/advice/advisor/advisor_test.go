package advisor

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lintel/internal/house"
	"lintel/internal/mailbox"
	"lintel/pipeline/advice/message"
	"lintel/pipeline/advice/policy"
	"lintel/store"
)

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

// A factor that begins to count a while after it was kept, with nothing else
// happening meanwhile, counts for the ring that waits for it.
func TestFactorBegins(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		defer h.run(h.archive)()
		visit := h.ring(h.face())
		id, err := h.archive.AddFactor(t.Context(), house.Factor{Kind: house.FactorArrival, Person: h.ada, Source: "PHONE",
			At: h.now().Add(40 * time.Second), Until: h.now().Add(5 * time.Minute), Strength: house.Ordinary})
		h.must(err)
		time.Sleep(39 * time.Second)
		h.withheld(visit, policy.Factors)
		time.Sleep(time.Second)
		synctest.Wait()
		h.suggested(visit, id)
	})
}

// What was suggested once is never suggested again, whatever comes, nor is a
// message of it written again to whoever was there. One that is dismissed is
// withdrawn from receivers.
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
			synctest.Wait()
			want := map[house.AdviceState]int{house.Dismissed: 2}[end]
			if sent := h.publisher.take(); len(sent) != want {
				t.Errorf("%s: %d messages, want %d", end, len(sent), want)
			}
			h.arrive()
			stop()
			h.run(h.archive)() // a start anew
			if got := h.advice(visit, h.front); got.State != end || got.ID != d.ID {
				t.Errorf("%s: advice %+v", end, got)
			}
			for _, p := range h.publisher.take() { // whose receivers may not have been there
				if m := h.opened(p); m.Action != message.Withdraw || end != house.Dismissed {
					t.Errorf("%s: %+v after the start", end, m)
				}
			}
		})
	}
}

// A message that could not be sent is sent again, while the suggestion is open.
func TestPostFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		defer h.run(h.archive)()
		h.publisher.fail(errors.New("the publisher is down"))
		visit := h.ring(h.face())
		h.arrive()
		if d := h.advice(visit, h.front); d.State != house.Suggested {
			t.Errorf("advice %+v", d)
		}
		h.publisher.fail(nil)
		time.Sleep(lookWhileOpen)
		synctest.Wait()
		if sent := h.publisher.take(); len(sent) != 2 {
			t.Errorf("%d messages again", len(sent))
		}
		time.Sleep(10 * lookWhileOpen)
		synctest.Wait()
		if sent := h.publisher.take(); len(sent) > 0 {
			t.Errorf("%d messages once more", len(sent))
		}
		if log := h.log.String(); !strings.Contains(log, "the publisher is down") ||
			!strings.Contains(log, h.receivers[0].ID) || !strings.Contains(log, h.receivers[1].ID) {
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
		h.posed("another bell")
		before := h.ring(h.face())
		h.suggested(before, h.arrive())
		h.posed("gate")
		synctest.Wait()
		h.withdrawn(before, policy.Healthy)
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
		synctest.Wait()
		if n := len(h.publisher.take()); n != 2 {
			t.Errorf("%d messages that it holds no more", n)
		}
		h.arrive()
		visit := h.ring(h.face())
		h.withheld(visit, policy.Healthy)
		h.must(h.archive.EndTrial(t.Context(), trial))
		synctest.Wait()
		h.withheld(visit, policy.Healthy)
		// Nor by a decision that began before the trial did.
		if _, err := h.archive.AddAdvice(t.Context(), house.Advice{Visit: visit, Door: h.front, Person: h.ada,
			State: house.Suggested, At: h.now(), ExpiresAt: h.now().Add(time.Minute)}); !errors.Is(err, house.ErrTaken) {
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
		synctest.Wait()
		h.publisher.take() // that what was suggested holds no more
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
					Visit: other, Door: h.garage, State: house.Suggested, At: h.now(), ExpiresAt: h.now().Add(time.Minute),
					Factors: []string{factors[0].ID}, Person: h.ada, ReleasedAt: h.now(),
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
		h.publisher.take() // of the other
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
		if d.State != house.Suggested || d.Parcel != rule || d.Person != "" || len(unmet(d)) > 0 ||
			!d.ExpiresAt.Equal(h.now().Add(30*time.Second)) {
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
		_, err := h.archive.AddParcelRule(t.Context(),
			house.ParcelRule{Door: h.garage, From: h.now(), To: h.now().Add(time.Hour), Window: time.Minute})
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

package advisor

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"lintel/internal/house"
	"lintel/internal/mailbox"
	"lintel/pipeline/advice/message"
	"lintel/pipeline/advice/policy"
)

// TestWithdrawn has something come late, after a suggestion was made and told, and
// what it rested on hold no more.
func TestWithdrawn(t *testing.T) {
	for _, test := range []struct {
		name  string
		comes func(h *household, ctx context.Context, visit string)
		codes []string
	}{
		{"a third still that shows a stranger", func(h *household, _ context.Context, _ string) {
			h.frame(house.Done, stranger())
		}, []string{policy.People}},
		{"a third still that can't be examined", func(h *household, _ context.Context, _ string) {
			h.frame(house.Failed)
		}, []string{policy.People}},
		{"a third still that is not examined for long", func(h *household, _ context.Context, _ string) {
			h.frame(house.Pending)
			time.Sleep(policy.MaxExamining)
		}, []string{policy.People}},
		{"a rule that says never", func(h *household, ctx context.Context, _ string) {
			_, err := h.archive.SetDoorRule(ctx, house.DoorRule{Person: h.ada, Door: h.front,
				Days: [7]bool{true, true, true, true, true, true, true}, To: 24 * 60})
			h.must(err)
		}, []string{policy.Never}},
		{"the rule is removed", func(h *household, ctx context.Context, _ string) {
			rules, err := h.archive.DoorRules(ctx)
			h.must(err)
			h.must(h.archive.RemoveDoorRule(ctx, rules[0].ID))
		}, []string{policy.Allowed}},
		{"the family goes away", func(h *household, ctx context.Context, _ string) {
			rules := house.DefaultAdviceRules()
			rules.AwayUntil = h.now().Add(time.Hour)
			h.must(h.archive.SetAdviceRules(ctx, rules))
		}, []string{policy.Home}},
		{"a wrong secret", func(h *household, _ context.Context, _ string) { h.posed("gate") },
			[]string{policy.Healthy}},
		{"the clock is set", func(h *household, _ context.Context, _ string) {
			h.ahead.Store(int64(5 * time.Second))
			time.Sleep(lookWhileOpen)
		}, []string{policy.Clock}},
		{"wrong codes", func(h *household, ctx context.Context, _ string) {
			for range 3 {
				h.must(h.archive.AddMiss(ctx, "code", h.ada))
			}
		}, []string{policy.Wait}},
		{"somebody says that it is a stranger", func(h *household, ctx context.Context, visit string) {
			v, err := h.archive.Visit(ctx, visit)
			h.must(err)
			h.must(h.archive.Rematch(ctx, visit, faces(v, func(f *house.Face) { f.Match = nil })))
		}, []string{policy.People}},
		{"it looks like a picture after all", func(h *household, ctx context.Context, visit string) {
			v, err := h.archive.Visit(ctx, visit)
			h.must(err)
			h.must(h.archive.Rematch(ctx, visit, faces(v, func(f *house.Face) {
				f.Liveness = &house.Liveness{Level: house.Picture, Probability: 0.98, Frames: 2}
			})))
		}, []string{policy.Sign}},
		{"the door has another bell", func(h *household, ctx context.Context, _ string) {
			_, err := h.archive.AddBell(ctx, "yard")
			h.must(err)
			_, err = h.archive.SetDoor(ctx, house.Door{ID: h.front, Name: "Front door", Bell: "yard", Tell: house.TellAtOnce})
			h.must(err)
		}, []string{policy.Door}},
	} {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				h := newHouse(t)
				defer h.run(h.archive)()
				visit := h.ring(h.face())
				h.suggested(visit, h.arrive())
				time.Sleep(3 * time.Second)
				test.comes(h, t.Context(), visit)
				synctest.Wait()
				h.withdrawn(visit, test.codes...)
			})
		})
	}
}

// faces are all of a visit, changed.
func faces(v house.Visit, change func(*house.Face)) (all []house.Face) {
	for _, s := range v.Stills {
		for _, f := range s.Faces {
			change(&f)
			all = append(all, f)
		}
	}
	return all
}

// TestStays has what says nothing against a suggestion come late.
func TestStays(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		defer h.run(h.archive)()
		visit := h.ring(h.face())
		h.suggested(visit, h.arrive())
		h.frame(house.Pending)
		time.Sleep(policy.MaxExamining - time.Second)
		h.frame(house.Done) // nobody on it
		h.must(h.archive.AddMiss(t.Context(), "code", h.ada))
		for range 5 {
			h.must(h.archive.AddMiss(t.Context(), "code", "SOMEBODY"))
		}
		h.posed("another bell")
		v, err := h.archive.Visit(t.Context(), visit)
		h.must(err)
		h.must(h.archive.Record(t.Context(), v.Stills[2].ID, house.Done, nil))
		time.Sleep(30 * time.Second)
		synctest.Wait()
		if d := h.advice(visit, h.front); d.State != house.Suggested {
			t.Errorf("it is %s for %v", d.State, d.Unmet())
		}
		if sent := h.publisher.take(); len(sent) > 0 {
			t.Errorf("%d messages", len(sent))
		}
	})
}

// TestErasedWhileOpen has the visit erased: receivers are told by what is
// remembered.
func TestErasedWhileOpen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		defer h.run(h.archive)()
		visit := h.ring(h.face())
		h.suggested(visit, h.arrive())
		h.must(h.archive.EraseVisit(t.Context(), visit))
		synctest.Wait()
		sent := h.publisher.take()
		if len(sent) != 2 || h.opened(sent[0]).Action != message.Withdraw {
			t.Errorf("%d messages", len(sent))
		}
	})
}

// TestRuleEndsWhileOpen has a rule's hours end: nothing else changes.
func TestRuleEndsWhileOpen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		rules, err := h.archive.DoorRules(t.Context())
		h.must(err)
		now := h.now().In(time.Local)
		rules[0].To = now.Hour()*60 + now.Minute() + 1
		_, err = h.archive.SetDoorRule(t.Context(), rules[0])
		h.must(err)
		defer h.run(h.archive)()
		time.Sleep(30 * time.Second)
		visit := h.ring(h.face())
		h.suggested(visit, h.arrive())
		time.Sleep(31 * time.Second)
		synctest.Wait()
		h.withdrawn(visit, policy.Time)
	})
}

// TestAfterConfirm has messages wait for a hand: they leave when somebody confirms,
// and not for what was withdrawn before. What that took can be used again.
func TestAfterConfirm(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		_, err := h.archive.SetDoor(t.Context(), house.Door{ID: h.front, Name: "Front door", Bell: "gate"})
		h.must(err)
		stop := h.run(h.archive)
		visit := h.ring(h.face())
		h.arrive()
		d := h.advice(visit, h.front)
		if d.State != house.Suggested || d.Released() || len(h.publisher.take()) > 0 {
			t.Fatalf("advice %+v, or a message", d)
		}
		h.advisor.Listening(h.receivers[0].ID)
		stop()
		defer h.run(h.archive)() // a start anew
		h.advisor.Listening(h.receivers[1].ID)
		synctest.Wait()
		if sent := h.publisher.take(); len(sent) > 0 {
			t.Errorf("%d messages before anybody confirmed", len(sent))
		}
		time.Sleep(20 * time.Second)
		ctx := house.By(t.Context(), "resident R")
		h.must(h.archive.ConfirmAdvice(ctx, d.ID))
		if err := h.archive.ConfirmAdvice(ctx, d.ID); !errors.Is(err, house.ErrTaken) {
			t.Errorf("confirmed twice: %v", err)
		}
		synctest.Wait()
		sent := h.publisher.take()
		if len(sent) != 2 || h.opened(sent[0]).Action != message.Suggest {
			t.Fatalf("%d messages", len(sent))
		}
		if got := h.advice(visit, h.front); got.ConfirmedBy != "resident R" || !got.ReleasedAt.Equal(h.now()) ||
			got.State != house.Suggested || !got.ExpiresAt.Equal(d.ExpiresAt) {
			t.Errorf("confirmed: %+v", got)
		}
		time.Sleep(time.Minute)
		visit = h.ring(h.face())
		factor := h.arrive()
		d = h.advice(visit, h.front)
		h.frame(house.Done, stranger())
		if got := h.advice(visit, h.front); got.State != house.Withdrawn || len(h.publisher.take()) > 0 {
			t.Errorf("it is %s, or a message", got.State)
		}
		if err := h.archive.ConfirmAdvice(ctx, d.ID); !errors.Is(err, house.ErrTaken) {
			t.Errorf("confirmed once it was withdrawn: %v", err)
		}
		factors, err := h.archive.FactorsSince(t.Context(), h.now())
		if h.must(err); len(factors) == 0 || factors[len(factors)-1].ID != factor || factors[len(factors)-1].UsedBy != "" {
			t.Errorf("what nobody heard of took its factor: %+v", factors)
		}
	})
}

// TestDoubtsStay has a server start anew: a wrong secret and a clock that jumped
// still count, and a clock that was set back meanwhile does.
func TestDoubtsStay(t *testing.T) {
	for _, test := range []struct {
		name  string
		doubt func(*household)
		code  string
		over  time.Duration
	}{
		{"a wrong secret", func(h *household) { h.posed("gate") }, policy.Healthy, policy.AfterRefusal},
		{"a clock that jumped", func(h *household) {
			h.ahead.Store(int64(3 * time.Second))
			h.arrive()
		}, policy.Clock, policy.AfterJump},
		{"a clock that is set back while the server is off", func(h *household) {
			h.posed("gate")
			synctest.Wait()
			h.ahead.Store(-int64(10 * time.Minute))
		}, policy.Clock, policy.AfterJump},
	} {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				h := newHouse(t)
				stop := h.run(h.archive)
				test.doubt(h)
				synctest.Wait()
				stop()
				defer h.run(h.archive)()
				h.arrive()
				if d := h.advice(h.ring(h.face()), h.front); d.State != house.Withheld || d.Unmet()[0] != test.code {
					t.Errorf("advice is %s, not met %v", d.State, d.Unmet())
				}
				time.Sleep(test.over)
				synctest.Wait()
				visit := h.ring(h.face())
				h.suggested(visit, h.arrive())
			})
		})
	}
}

// TestClockBehind has the clock set back two hours while the server is off: the
// ring is told why nothing is suggested.
func TestClockBehind(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		for range manyVisits + 1 { // more than are considered
			h.ring(stranger())
		}
		h.ahead.Store(-int64(2 * time.Hour))
		defer h.run(h.archive)()
		h.arrive()
		h.withheld(h.ring(h.face()), policy.Clock, policy.Consent) // which was given in two hours
	})
}

// TestReasonsAreFresh has what a condition says follow the numbers.
func TestReasonsAreFresh(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		defer h.run(h.archive)()
		visit := h.frame(house.Pending) // the first still of its ring
		if d := h.advice(visit, h.front); d.Conditions[7].Reasons[0].Code != "still-pending" {
			t.Errorf("while it is examined: %+v", d.Conditions[7])
		}
		v, err := h.archive.Visit(t.Context(), visit)
		h.must(err)
		h.must(h.archive.Record(t.Context(), v.Stills[0].ID, house.Done, []house.Face{stranger()}))
		synctest.Wait()
		d := h.advice(visit, h.front)
		if d.Conditions[7].Reasons[0].Code != "face-unknown" {
			t.Errorf("once it is: %+v", d.Conditions[7])
		}
		revision, err := h.archive.Revision(t.Context())
		h.must(err)
		time.Sleep(30 * time.Second)
		h.arrive()
		if again := h.advice(visit, h.front); again.ID != d.ID {
			t.Error("written anew for seconds that went by")
		}
		if now, err := h.archive.Revision(t.Context()); err != nil || now != revision {
			t.Errorf("revision %d, then %d, %v", revision, now, err)
		}
	})
}

// TestExaminedLate has a machine take more than a minute to examine a still: its
// card does not say for good that it is not examined.
func TestExaminedLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		defer h.run(h.archive)()
		visit := h.frame(house.Pending)
		before := h.advice(visit, h.front)
		time.Sleep(policy.MaxAge + time.Second)
		h.arrive()
		if d := h.advice(visit, h.front); !policy.Awaits(d) {
			t.Errorf("while it waits: %v", d.Unmet())
		}
		v, err := h.archive.Visit(t.Context(), visit)
		h.must(err)
		h.must(h.archive.Record(t.Context(), v.Stills[0].ID, house.Done, []house.Face{h.face()}))
		synctest.Wait()
		d := h.advice(visit, h.front)
		if d.State != house.Withheld || policy.Awaits(d) || d.ID == before.ID || d.Person != h.ada ||
			d.Unmet()[0] != policy.Fresh {
			t.Errorf("examined late: %s, not met %v", d.State, d.Unmet())
		}
		if sent := h.publisher.take(); len(sent) > 0 {
			t.Errorf("%d messages", len(sent))
		}
	})
}

// TestFamilyAndParcel has both doors share a bell: who lives here rings with a
// factor, and the parcel that is expected is still to come.
func TestFamilyAndParcel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		defer h.run(h.archive)()
		_, err := h.archive.AddParcelRule(t.Context(),
			house.ParcelRule{Door: h.garage, From: h.now(), To: h.now().Add(time.Hour), Window: time.Minute})
		h.must(err)
		h.suggested(h.ring(h.face()), h.arrive())
		h.ring(h.face()) // and without a factor
		parcels, err := h.archive.ParcelRules(t.Context())
		if h.must(err); parcels[0].UsedBy != "" {
			t.Fatal("the family used the parcel up")
		}
		visit := h.ring(stranger())
		d := h.advice(visit, h.garage)
		if d.State != house.Suggested || d.Parcel != parcels[0].ID {
			t.Errorf("for a courier: %+v", d)
		}
		sent := h.publisher.take()
		h.frame(house.Done, h.face())
		if got := h.advice(visit, h.garage); got.State != house.Withdrawn {
			t.Errorf("with Ada beside: %s", got.State)
		}
		if more := h.publisher.take(); len(sent) != 1 || len(more) != 1 {
			t.Errorf("%d messages, then %d", len(sent), len(more))
		} else if m, err := mailbox.Open(more[0].text, h.receivers[2].ID, message.Key(h.receivers[2].Key), h.now(),
			func(string) bool { return false }); err != nil || m.Action != message.Withdraw || m.Kind != message.Parcel {
			t.Errorf("%+v, %v", m, err)
		}
	})
}

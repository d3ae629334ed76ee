package decoding

import (
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// askers ask for turns of one budget, one after the other, in a bubble.
type askers struct {
	t      *testing.T
	budget *Budget
	began  []string // whose turns began, in their order
	ends   map[string]func()
}

// ask asks in the background, as bell or as bell/still, and waits until that either
// began or has to wait.
func (a *askers) ask(ctx context.Context, name string, memory int64) {
	who, _, _ := strings.Cut(name, "/")
	go func() {
		end, err := a.budget.Begin(ctx, who, memory)
		if err != nil {
			if !errors.Is(err, context.Canceled) {
				a.t.Error(err)
			}
			return
		}
		a.began = append(a.began, name)
		a.ends[name] = end
	}()
	synctest.Wait()
}

func (a *askers) end(name string) {
	a.t.Helper()
	if a.ends[name] == nil {
		a.t.Fatalf("%s has not begun; %v have", name, a.began)
	}
	a.ends[name]()
	synctest.Wait()
}

// finish ends all that begins until nothing does, and checks the order and that
// all of the budget is there again.
func (a *askers) finish(want ...string) {
	a.t.Helper()
	for i := 0; i < len(a.began); i++ {
		if end := a.ends[a.began[i]]; end != nil {
			delete(a.ends, a.began[i])
			end()
			synctest.Wait()
		}
	}
	if !slices.Equal(a.began, want) {
		a.t.Errorf("turns began as %v, want %v", a.began, want)
	}
	for _, l := range []lane{a.budget.small, a.budget.large} {
		if l.free != l.size || len(l.order) > 0 || len(l.waiting) > 0 || len(l.decoding) > 0 {
			a.t.Errorf("left: %+v", l)
		}
	}
}

func inBubble(t *testing.T, bytes int64, test func(a *askers)) {
	synctest.Test(t, func(t *testing.T) {
		test(&askers{t: t, budget: NewBudget(bytes), ends: make(map[string]func())})
	})
}

// One asks for ten turns, then two others for two each: each asker has one at a
// time, and those who wait one after the other.
func TestTurnsAreFair(t *testing.T) {
	inBubble(t, 800, func(a *askers) {
		for _, name := range []string{"gate/1", "gate/2", "gate/3", "gate/4", "gate/5", "shed/1", "shed/2", "yard/1"} {
			a.ask(a.t.Context(), name, 400) // of 600: one fits
		}
		a.finish("gate/1", "gate/2", "shed/1", "yard/1", "gate/3", "shed/2", "gate/4", "gate/5")
	})
}

// What waits for room is passed by nobody who asks for as much as it does, and
// by all small ones.
func TestLargeWaitsForNoSmall(t *testing.T) {
	inBubble(t, 800, func(a *askers) {
		a.ask(a.t.Context(), "gate/1", 150)
		a.ask(a.t.Context(), "shed/1", 600)
		a.ask(a.t.Context(), "yard/1", 150) // there would be room
		a.ask(a.t.Context(), "yard/small", 50)
		a.ask(a.t.Context(), "gate/small", 50)
		a.ask(a.t.Context(), "gate/small2", 1)
		if want := []string{"gate/1", "yard/small", "gate/small"}; !slices.Equal(a.began, want) {
			t.Errorf("began %v, want %v", a.began, want)
		}
		a.end("gate/1")
		delete(a.ends, "gate/1")
		a.finish("gate/1", "yard/small", "gate/small", "shed/1", "gate/small2", "yard/1")
	})
}

// More than there is counts as all there is; who hangs up while waiting holds up
// nobody.
func TestBeginEnds(t *testing.T) {
	inBubble(t, 800, func(a *askers) {
		ctx, hangUp := context.WithCancel(a.t.Context())
		a.ask(a.t.Context(), "gate/1", 1<<40)
		a.ask(ctx, "shed/1", 600)
		a.ask(ctx, "gate/2", 300)
		a.ask(a.t.Context(), "yard/1", 300)
		hangUp()
		synctest.Wait()
		a.finish("gate/1", "yard/1")
	})
}

// Whatever is asked for, in whatever order, no more is given than there is, and
// everybody's turn comes.
func TestBudgetHolds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(7, 8))
		b := NewBudget(1000)
		var mu sync.Mutex
		var given, turns int64
		decoding := make(map[string]int)
		var asking sync.WaitGroup
		for range 2000 {
			who, memory := string(rune('a'+r.IntN(6))), int64(r.IntN(1100))
			taken := min(memory, 750)
			lane := map[bool]string{true: "small ", false: "large "}[memory <= 125]
			asking.Go(func() {
				end, err := b.Begin(t.Context(), who, memory)
				if err != nil {
					t.Error(err)
					return
				}
				mu.Lock()
				given, turns = given+taken, turns+1
				decoding[lane+who]++
				if given > 1000 || decoding[lane+who] > 1 {
					t.Errorf("%d of 1000 are given; %s has %d turns", given, who, decoding[lane+who])
				}
				mu.Unlock()
				time.Sleep(time.Duration(taken) * time.Millisecond) // of the bubble
				mu.Lock()
				given -= taken
				decoding[lane+who]--
				mu.Unlock()
				end()
			})
		}
		asking.Wait()
		if turns != 2000 {
			t.Errorf("%d of 2000 turns came", turns)
		}
	})
}

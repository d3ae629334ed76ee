package allow

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// people take turns of a second each; who had one when is noted.
type people struct {
	turns *Turns
	all   sync.WaitGroup
	mu    sync.Mutex
	order []string
	now   int
	most  int
	busy  int
}

func (p *people) come(ctx context.Context, who Who) {
	p.all.Go(func() {
		done, err := p.turns.Take(ctx, who)
		p.mu.Lock()
		if err != nil {
			p.busy++
			p.mu.Unlock()
			return
		}
		p.order = append(p.order, who.Name)
		p.now++
		p.most = max(p.most, p.now)
		p.mu.Unlock()
		time.Sleep(time.Second) // in a bubble
		p.mu.Lock()
		p.now--
		p.mu.Unlock()
		done()
	})
	synctest.Wait()
}

// refused is asked while some still wait.
func (p *people) refused() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.busy
}

// Somebody who wants many turns does not keep others waiting for more than one of
// theirs, and who is known waits for none of either.
func TestTurnsAreFair(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := people{turns: NewTurns(time.Now, 1)}
		for range 5 {
			p.come(t.Context(), Who{Name: "a"})
		}
		p.come(t.Context(), Who{Name: "b"})
		p.come(t.Context(), Who{Name: "b"})
		p.come(t.Context(), Who{Name: "c"})
		p.come(t.Context(), Who{Name: "known", Known: true})
		if p.all.Wait(); !slices.Equal(p.order, []string{"a", "known", "b", "c", "a", "b", "a", "a", "a"}) {
			t.Errorf("in this order: %v", p.order)
		}
		if p.most != 1 || p.busy != 0 || p.turns.Waiting() != 0 {
			t.Errorf("%d at once, %d refused", p.most, p.busy)
		}
	})
}

// Of a flood only so many wait, and none for longer than TurnTime; who is known gets
// a turn all the same.
func TestTurnsAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := people{turns: NewTurns(time.Now, 2)}
		for i := range 1000 {
			p.come(t.Context(), Who{Name: fmt.Sprint(i)})
		}
		if got := p.refused(); got != 1000-MostTurns-2 {
			t.Errorf("%d are refused at once", got)
		}
		began := time.Now()
		for range TurnsEach + 2 {
			p.come(t.Context(), Who{Name: "known", Known: true})
		}
		if got := p.refused(); got != 1000-MostTurns {
			t.Errorf("%d are refused with those who are known", got)
		}
		if p.all.Wait(); time.Since(began) > TurnTime+time.Second {
			t.Errorf("it lasts %v", time.Since(began))
		}
		if last := slices.Index(p.order, "known") + TurnsEach; p.order[last-1] != "known" || last > 2+TurnsEach {
			t.Errorf("who is known waits: %v", p.order)
		}
		if got := len(p.order); got < 2*10 || got > 2+2*10 || p.most != 2 {
			t.Errorf("%d had a turn, %d at once", got, p.most)
		}
	})
}

func TestTurnsOfWhoeverLeaves(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		turns := NewTurns(time.Now, 1)
		done, err := turns.Take(t.Context(), Who{})
		if err != nil {
			t.Fatal(err)
		}
		ctx, leave := context.WithCancel(t.Context())
		left := make(chan error)
		go func() {
			_, err := turns.Take(ctx, Who{})
			left <- err
		}()
		synctest.Wait()
		leave()
		if err := <-left; !errors.Is(err, context.Canceled) || turns.Waiting() != 0 {
			t.Errorf("%v", err)
		}
		done()
		if done, err = turns.Take(t.Context(), Who{}); err != nil {
			t.Errorf("then nobody has a turn: %v", err)
		}
		done()
	})
}

// One who asks for the first time comes before all who ask again and again, and gets a
// place where all are taken by them.
func TestTurnsOfWhoIsNew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := people{turns: NewTurns(time.Now, 1)}
		for range 3 {
			for i := range 200 {
				p.come(t.Context(), Who{Name: fmt.Sprint(i)})
			}
			time.Sleep(TurnTime + time.Second)
			p.all.Wait()
		}
		for i := range 200 {
			p.come(t.Context(), Who{Name: fmt.Sprint(i)})
		}
		turns := len(p.order)
		p.come(t.Context(), Who{Name: "new"})
		for i := range 200 {
			p.come(t.Context(), Who{Name: fmt.Sprint(i)})
		}
		p.all.Wait()
		if next := slices.Index(p.order[turns:], "new"); next != 0 {
			t.Errorf("who is new comes as number %d: %v", next+1, p.order[turns:])
		}
		if n := p.turns.asked.Len(); n != 201 || p.turns.Waiting() != 0 || p.most != 1 {
			t.Errorf("%d are remembered, %d wait, %d at once", n, p.turns.Waiting(), p.most)
		}
	})
}

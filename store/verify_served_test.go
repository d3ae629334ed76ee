package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"lintel/internal/house"
)

// More visits than are looked at in one go: all are looked at, at the edges too.
func TestVerifyManyVisits(t *testing.T) {
	a, c := newArchive(t)
	ctx := t.Context()
	const n = 2*someRows + 3
	err := a.update(ctx, func(tx *sql.Tx) error {
		for i := range n {
			id := fmt.Sprintf("V%025d", i)
			ring, slot, err := a.sealRing(ctx, tx, "r", id)
			must(t, err)
			_, err = tx.ExecContext(ctx,
				`INSERT INTO visits (id, bell, ring, slot, received_at, revision, kind) VALUES (?, ?, ?, ?, ?, ?, 'no-face')`,
				id, a.bellID("gate"), ring, slot, micros(c.Now()), 100+i)
			if err != nil {
				return err
			}
		}
		_, err := tx.ExecContext(ctx, `UPDATE counters SET value = 5000 WHERE name = 'revision'`)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if r := wantSound(t, a); r.Visits != n || r.Sealed != n+1 {
		t.Errorf("%+v", r)
	}
	var edges []any
	for _, i := range []int{0, someRows - 1, someRows, 2*someRows - 1, n - 1} {
		edges = append(edges, fmt.Sprintf("V%025d", i))
	}
	if _, err := a.write.ExecContext(ctx,
		`UPDATE visits SET kind = iif(id IN (?, ?, ?, ?, ?), 'stranger', kind), ring = x'00'`,
		edges...); err != nil {
		t.Fatal(err)
	}
	r, err := a.Verify(ctx, true, nil)
	if err != nil || r.Left != n || len(r.Problems) != maxProblems || r.Unlisted != n+len(edges)-maxProblems {
		t.Errorf("%d problems, %d more, %d left, %v", len(r.Problems), r.Unlisted, r.Left, err)
	}
	var wrong int
	if err := a.read.QueryRowContext(ctx, `SELECT count(*) FROM visits
		WHERE kind <> 'no-face'`).Scan(&wrong); err != nil || wrong > 0 {
		t.Errorf("%d left after the repair, %v", wrong, err)
	}
}

// Verify has nothing to say against an archive that is being used meanwhile by
// a server, another archive on the same folder here.
func TestVerifyBesideServer(t *testing.T) {
	dir := t.TempDir()
	// The files' own times are compared with the clock, so it is the machine's.
	open := func() *Archive {
		a, err := Open(t.Context(), dir, testKey, time.Now)
		must(t, err)
		t.Cleanup(func() { a.Close() })
		return a
	}
	server, a := open(), open()
	must(t, server.Lock())
	if _, err := server.AddBell(t.Context(), "gate"); err != nil {
		t.Fatal(err)
	}
	served, stop := context.WithCancel(t.Context())
	ctx := t.Context()
	var serving sync.WaitGroup
	round := make(chan bool, 1)
	blacked := func(jpeg []byte, _ []house.Polygon) ([]byte, error) { return jpeg, nil }
	for worker := range 2 {
		serving.Go(func() {
			for i := 0; served.Err() == nil; i++ {
				n := stillOf(fmt.Sprintf("r%d-%d", worker, i), 0)
				n.ReceivedAt = time.Now()
				visit, _, err := server.Keep(ctx, n)
				if err == nil && i%3 == 0 {
					err = server.EraseVisit(ctx, visit)
				}
				if err == nil && i%20 == 0 && worker == 0 {
					err = server.SetMasks(ctx, "gate", []house.Polygon{{{X: 0, Y: 0}, {X: 1, Y: 0}, {X: 1, Y: 0.5}}})
					if err == nil {
						_, err = server.MaskEarlier(ctx, "gate", blacked)
					}
				}
				if err != nil && !errors.Is(err, house.ErrNotFound) {
					t.Error(err)
				}
				select {
				case round <- true:
				default:
				}
			}
		})
	}
	for i := range 8 {
		<-round
		r, err := a.Verify(ctx, i%2 == 1, nil)
		if err != nil || len(r.Problems) > 0 {
			t.Errorf("problems %+v, %v", r.Problems, err)
		}
	}
	stop()
	serving.Wait()
	wantSound(t, a)
	checkSound(t, a)
}

// What changes between the reading of a row and the look at its file is looked
// at again: here while the first still is being looked at.
func TestVerifyLooksAgain(t *testing.T) {
	a, c, visits := newHousehold(t)
	ctx := t.Context()
	server := openArchive(t, a.dir, c)
	r, err := a.Verify(ctx, true, func(done, _ int) {
		if done > 1 {
			return
		}
		_, masked := server.MaskEarlier(ctx, "gate",
			func(jpeg []byte, _ []house.Polygon) ([]byte, error) { return jpeg[1:], nil })
		if err := errors.Join(masked, server.EraseVisit(ctx, visits[2])); err != nil {
			t.Error(err)
		}
	})
	if err != nil || len(r.Problems) > 0 || r.Left > 0 || r.Lost > 0 || r.Stills != 4 {
		t.Errorf("%+v, %v", r, err)
	}
	wantSound(t, a)
}

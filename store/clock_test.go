package store

import (
	"database/sql"
	"runtime"
	"testing"
	"time"

	"lintel/store/seal"
)

// A visitor who rings while a sweep waits for its turn to write is of no time to
// come: a sweep that took the time before its turn began the visit's periods
// too early, and let it go before its time.
func TestSweepWaitsWhileSomebodyRings(t *testing.T) {
	t.Parallel()
	a, c := newArchive(t)
	ctx := t.Context()
	other, err := a.write.BeginTx(ctx, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer other.Rollback()
	waited := a.write.Stats().WaitCount
	swept := make(chan error)
	go func() {
		_, err := a.Sweep(ctx, halves)
		swept <- err
	}()
	for a.write.Stats().WaitCount == waited {
		runtime.Gosched()
	}
	c.Advance(time.Minute)
	n := stillOf("meanwhile", 0)
	n.ReceivedAt = c.Now()
	slot := func() (int64, error) { return a.putKey(ctx, other, seal.NewKey()) }
	visit, err := a.insertStill(ctx, other, newID(), a.labelOf(n, false), sql.NullString{}, slot, n.JPEG)
	if err == nil {
		err = a.settle(ctx, other, visit)
	}
	if err == nil {
		// No file is kept of it here.
		_, err = other.ExecContext(ctx, `UPDATE stills SET file = NULL WHERE visit = ?`, visit)
	}
	if err == nil {
		err = other.Commit()
	}
	if err != nil {
		t.Fatal(err)
	}
	must(t, <-swept)
	var from int64
	must(t, a.read.QueryRowContext(ctx, `SELECT counted_from FROM visits WHERE id = ?`, visit).Scan(&from))
	if got := time.UnixMicro(from); !got.Equal(n.ReceivedAt) {
		t.Errorf("a visit of %v counts from %v", n.ReceivedAt, got)
	}
}

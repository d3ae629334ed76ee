package store

import (
	"context"
	"database/sql"
	"fmt"
	"sync"
	"time"

	"lintel/internal/house"
)

// Periods of keeping are only as good as the clock: one that is ahead has visits go
// that just came, and one that is behind files them under a time long past. So the
// server's clock is watched, against time that can't be set, against what it showed
// when it was last right, and by whether a time service vouches for it. While it is
// doubted nothing is swept, and visits are marked with this run of the server. They
// move along when the clock is set: once it is right, so are they. Those of an
// earlier run keep the doubt, and their periods begin when the clock is right again.

// Timekeeping is what the archive can't know by its clock alone.
type Timekeeping struct {
	Elapsed   func() time.Duration // since any moment, and never set
	Served    func() bool          // whether a time service vouches for the clock now
	NotBefore time.Time            // no clock that is right is before
}

// Bounds of a clock; common practice, no source.
const (
	// clockStep is what a clock may go otherwise than time itself between two looks:
	// enough for one that is steered, too little for one that is set.
	clockStep = 2 * time.Second
	// clockTolerance is by how much a clock may be set without being doubted: somebody
	// who puts it right by a few minutes loses no visit by that.
	clockTolerance = 10 * time.Minute
	// clockAway is how long a server may have been off that no time service vouches
	// for: beyond, somebody is asked whether its clock is right.
	clockAway = 48 * time.Hour
	// clockYoung is how long after its start a server waits for a time service that
	// was there before.
	clockYoung = time.Hour
	// clockKept is how often it is written down that the clock is right.
	clockKept = time.Hour
)

// A clockWatch is what this run of the server knows of its clock.
type clockWatch struct {
	Timekeeping
	run string // names it

	mu       sync.Mutex
	began    time.Duration // all durations are by Elapsed
	now      time.Time     // at the last look
	gone     time.Duration
	sure     time.Time     // when it was right, zero if that is not known
	sureGone time.Duration // then, in this run
	inRun    bool          // whether sure is of this run
	kept     time.Time     // the sure that was written down
	served   bool          // a time service vouched for it in some run
	marked   bool          // there may be visits whose mark has to go
	doubt    house.ClockDoubt
}

// WatchClock has the archive doubt its clock where there is reason to, from now on.
func (a *Archive) WatchClock(ctx context.Context, by Timekeeping) error {
	if a.ReadOnly() {
		return nil // nothing is done by it
	}
	w := &clockWatch{Timekeeping: by, run: newID(), marked: true}
	var sure, newest sql.NullInt64
	err := a.read.QueryRowContext(ctx, `SELECT sure_at, served,
		(SELECT received_at FROM visits WHERE doubt IS NULL ORDER BY received_at DESC LIMIT 1) FROM clock`).
		Scan(&sure, &w.served, &newest)
	if err != nil {
		return fmt.Errorf("reading what is known of the clock: %w", damage(err))
	}
	// A visit that came later than the clock was last written down was received by it.
	if w.sure = timeOf(sure); timeOf(newest).After(w.sure) {
		w.sure = timeOf(newest)
	}
	w.now, w.gone = a.now().Round(0), w.Elapsed()
	w.began = w.gone
	a.clock = w
	_, err = a.LookAtClock(ctx)
	return err
}

// ClockDoubt returns why the clock was doubted at the last look.
func (a *Archive) ClockDoubt() house.ClockDoubt {
	if a.clock == nil {
		return ""
	}
	a.clock.mu.Lock()
	defer a.clock.mu.Unlock()
	return a.clock.doubt
}

// LookAtClock looks whether the clock is doubted, and has what was received under a
// doubt follow it. In a process that does not watch the clock, the server's last look
// holds.
func (a *Archive) LookAtClock(ctx context.Context) (doubt house.ClockDoubt, err error) {
	if a.clock == nil {
		err := a.read.QueryRowContext(ctx, `SELECT doubt FROM clock`).Scan(&doubt)
		if err != nil {
			return "", fmt.Errorf("reading what is known of the clock: %w", damage(err))
		}
		return doubt, nil
	}
	a.clock.mu.Lock()
	defer a.clock.mu.Unlock()
	if _, err := a.lookAtClock(ctx); err != nil {
		return a.clock.doubt, fmt.Errorf("looking at the clock: %w", spaceError(err))
	}
	return a.clock.doubt, nil
}

// soundNow is what time it is as far as that is known: by the clock or, while that is
// doubted, since it was right last. What ends by itself must not end by a clock that is
// ahead, nor come back by one that is behind.
func (a *Archive) soundNow(ctx context.Context) (time.Time, error) {
	if doubt, err := a.LookAtClock(ctx); err != nil || doubt == "" || a.clock == nil {
		return a.now(), err
	}
	w := a.clock
	w.mu.Lock()
	defer w.mu.Unlock()
	switch {
	case w.sure.IsZero():
		return w.now, nil
	case w.inRun:
		return w.sure.Add(w.gone - w.sureGone), nil
	}
	return w.sure.Add(w.gone - w.began), nil
}

// lookAtClock also returns by how much the clock was set since the last look. It is
// called with the watch's lock.
func (a *Archive) lookAtClock(ctx context.Context) (step time.Duration, err error) {
	w := a.clock
	now, gone := a.now().Round(0), w.Elapsed() // without Go's own reading of the other clock
	if step = now.Sub(w.now) - (gone - w.gone); step.Abs() <= clockStep {
		step = 0
	}
	if step != 0 && w.marked {
		if err := a.moveMarked(ctx, w.run, step); err != nil {
			return 0, err
		}
	}
	w.now, w.gone = now, gone
	served := w.Served()
	doubt := w.judge(served)
	if doubt != w.doubt {
		if _, err := a.write.ExecContext(ctx, `UPDATE clock SET doubt = ?`, doubt); err != nil {
			return step, err
		}
		w.doubt = doubt
	}
	if doubt != "" {
		return step, nil
	}
	w.sure, w.sureGone, w.inRun = now, gone, true
	switch waiting := w.waits(served); {
	case w.marked && !waiting:
		err = a.endDoubt(ctx, served)
	case now.Sub(w.kept).Abs() >= clockKept && !waiting:
		err = a.keepSure(ctx, a.write, served)
	}
	return step, err
}

// judge says why the clock is doubted, as it was read last.
func (w *clockWatch) judge(served bool) house.ClockDoubt {
	switch {
	case w.now.Before(w.NotBefore):
		return house.ClockBehind
	case served || w.sure.IsZero():
		return ""
	}
	earliest, latest := w.sure, w.sure.Add(w.gone-w.began+clockAway)
	if w.inRun {
		earliest = w.sure.Add(w.gone - w.sureGone)
		latest = earliest.Add(clockTolerance)
	}
	switch {
	case w.now.Before(earliest.Add(-clockTolerance)):
		return house.ClockBehind
	case w.now.After(latest):
		return house.ClockAhead
	}
	return ""
}

// waits reports whether a time service may yet set a clock that is not doubted: one
// that was there before, for a while after the start. A machine without a clock of
// its own begins where it stopped.
func (w *clockWatch) waits(served bool) bool {
	return !served && w.served && w.gone-w.began < clockYoung
}

// clockMark looks at the clock and returns with what a visit is marked that is received
// now, and by how much the clock was set since the last look.
func (a *Archive) clockMark(ctx context.Context) (mark sql.NullString, step time.Duration, err error) {
	w := a.clock
	if w == nil {
		return mark, 0, nil
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if step, err = a.lookAtClock(ctx); err != nil {
		return mark, 0, fmt.Errorf("looking at the clock: %w", err)
	}
	if w.doubt != "" || w.waits(w.Served()) {
		w.marked = true
		return sql.NullString{String: w.run, Valid: true}, step, nil
	}
	return mark, step, nil
}

// sinceSet returns when a still was received by the clock as it is now, which was set by
// so long since the last look: what came before that moves along, what came after does
// not.
func (a *Archive) sinceSet(received time.Time, step time.Duration) time.Time {
	if ago := a.now().Sub(received); step == 0 || ago.Abs() <= (ago-step).Abs() {
		return received
	}
	return received.Add(step)
}

// moveMarked has what was received in this run under a doubt follow a clock that was set.
func (a *Archive) moveMarked(ctx context.Context, run string, by time.Duration) error {
	return a.changeMarked(ctx, `doubt = ?1`, run, func(tx *sql.Tx) error {
		for _, statement := range []string{
			`UPDATE stills SET received_at = received_at + ?2 WHERE visit IN (SELECT id FROM visits WHERE doubt = ?1)`,
			`UPDATE visits SET received_at = received_at + ?2, counted_from = counted_from + ?2 WHERE doubt = ?1`,
		} {
			if _, err := tx.ExecContext(ctx, statement, run, by.Microseconds()); err != nil {
				return fmt.Errorf("having visits follow the clock: %w", err)
			}
		}
		return nil
	})
}

// endDoubt says that the clock is right. What was received in this run is right with
// it; what was in earlier ones, and what is of a time to come, keeps the doubt, and is
// counted from now.
func (a *Archive) endDoubt(ctx context.Context, served bool) error {
	w := a.clock
	now, later := micros(w.now), micros(w.now.Add(clockTolerance))
	const marked = `(doubt > '' OR received_at > ?2 AND doubt IS NULL)`
	err := a.changeMarked(ctx, marked, w.run, func(tx *sql.Tx) error {
		for _, statement := range []string{
			`UPDATE visits SET doubt = NULL WHERE doubt = ?1`,
			`UPDATE visits SET doubt = '', counted_from = ?3 WHERE ` + marked,
		} {
			if _, err := tx.ExecContext(ctx, statement, w.run, later, now); err != nil {
				return fmt.Errorf("ending the doubt of visits: %w", err)
			}
		}
		// Sessions that began, or were used, at a time to come would last too long.
		_, err := tx.ExecContext(ctx, `UPDATE sessions SET started_at = min(started_at, ?1), seen_at = min(seen_at, ?1),
			expires_at = min(expires_at, ?1 + iif(resident IS NULL, ?3, ?4)) WHERE started_at > ?2 OR seen_at > ?2`,
			now, later, house.TabletSession.Microseconds(), house.ResidentSession.Microseconds())
		if err != nil {
			return fmt.Errorf("ending the doubt of sessions: %w", err)
		}
		return a.keepSure(ctx, tx, served)
	}, later)
	w.marked = err != nil
	return err
}

// keepSure writes down that the clock is right now.
func (a *Archive) keepSure(ctx context.Context, to interface {
	ExecContext(context.Context, string, ...any) (sql.Result, error)
}, served bool) error {
	w := a.clock
	_, err := to.ExecContext(ctx, `UPDATE clock SET sure_at = ?, served = max(served, ?), doubt = ''`, micros(w.now),
		served)
	if err != nil {
		return fmt.Errorf("writing down that the clock is right: %w", err)
	}
	w.kept, w.served = w.now, w.served || served
	return nil
}

// changeMarked changes the visits of a clause, and settles them.
func (a *Archive) changeMarked(ctx context.Context, clause, run string, change func(*sql.Tx) error, more ...any) error {
	changed := 0
	err := a.update(context.WithoutCancel(ctx), func(tx *sql.Tx) error {
		ids, err := texts(tx.QueryContext(ctx, `SELECT id FROM visits WHERE `+clause, append([]any{run}, more...)...))
		if err != nil {
			return err
		}
		if err := change(tx); err != nil {
			return err
		}
		for _, id := range ids {
			if err := a.settle(ctx, tx, id); err != nil {
				return err
			}
		}
		changed = len(ids)
		return nil
	})
	if err == nil && changed > 0 {
		a.signal()
	}
	return err
}

// TrustClock takes the clock as right, by a resident's word.
func (a *Archive) TrustClock(ctx context.Context) error {
	w := a.clock
	if w == nil {
		return nil
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if _, err := a.lookAtClock(ctx); err != nil {
		return fmt.Errorf("trusting the clock: %w", spaceError(err))
	}
	if w.now.Before(w.NotBefore) {
		return fmt.Errorf("trusting the clock: %w", house.ErrClockDoubted) // nobody's word makes it right
	}
	w.doubt, w.sure, w.sureGone, w.inRun = "", w.now, w.gone, true
	err := a.endDoubt(ctx, false)
	if err == nil {
		err = a.Note(ctx, "changed", "clock")
	}
	if err != nil {
		return fmt.Errorf("trusting the clock: %w", spaceError(err))
	}
	return nil
}

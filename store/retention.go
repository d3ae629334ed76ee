package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"time"

	"lintel/internal/house"
	"lintel/store/seal"
)

// A Shrinker returns a smaller JPEG of a still, with its size in pixels; of a
// still that is small enough, the same.
type Shrinker func(jpeg []byte) (smaller []byte, width, height int, err error)

// Sweep does what the rules say is due: it lets visits go, lets stills go and
// keeps findings, and replaces stills by smaller ones. It works in batches, so
// that a still that comes in meanwhile waits for one batch at most. A visit
// that fails does not keep the others; the error then says what failed. It is
// house.ErrUnvouched, and nothing goes, where somebody without the master key
// changed the rules, removed them or put earlier ones back; house.ErrClockDoubted while
// the clock is; and house.WaitingSweep where unusually much would go, until a resident
// allows that or it has waited for long enough.
func (a *Archive) Sweep(ctx context.Context, shrink Shrinker) (s house.Swept, err error) {
	rules, err := a.Rules(ctx)
	if err == nil {
		err = a.mustBeUntouched(ctx, "settings")
	}
	if err == nil {
		err = a.mayGo(ctx, rules)
	}
	if waits := (house.WaitingSweep{}); errors.As(err, &waits) {
		err = errors.Join(err, a.tidy(ctx))
	}
	if err != nil {
		return s, fmt.Errorf("sweeping: %w", err)
	}
	if err := a.followClock(ctx); err != nil {
		return s, fmt.Errorf("sweeping: %w", spaceError(err))
	}
	s, failed := a.sweepSteps(ctx, rules, shrink)
	if s != (house.Swept{}) {
		a.signal()
		failed = append(failed, a.Note(ctx, "swept",
			fmt.Sprintf("visits %d stills %d smaller %d", s.Visits, s.Findings, s.Smaller)))
	}
	if errors.Join(failed...) == nil { // else a resident's word holds for the rest as well
		_, err = a.write.ExecContext(ctx, `UPDATE clock SET withheld_at = NULL, allowed = 0`)
	}
	if err := errors.Join(append(failed, err, a.sweepAside(ctx, rules), a.tidy(ctx))...); err != nil {
		return s, fmt.Errorf("sweeping: %w", spaceError(err))
	}
	return s, nil
}

// sweepSteps does each step, and returns what was done and what failed.
func (a *Archive) sweepSteps(ctx context.Context, rules house.Rules, shrink Shrinker) (s house.Swept, failed []error) {
	for _, step := range stepsOf(rules) {
		var n int
		var err error
		switch step.to {
		case house.Smaller:
			n, err = a.sweepSmaller(ctx, step, shrink)
			s.Smaller += n
		case house.OnlyFindings:
			n, err = a.sweepBatches(ctx, step, a.letStillsGo)
			s.Findings += n
		default:
			n, err = a.sweepBatches(ctx, step, a.removeVisits)
			s.Visits += n
		}
		failed = append(failed, err)
		if ctx.Err() != nil {
			break
		}
	}
	return s, failed
}

// tidy lets go what no rule of the household's is about.
func (a *Archive) tidy(ctx context.Context) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `DELETE FROM departures WHERE at < ?`, micros(a.now().Add(-tombstonesLast)))
		if err == nil {
			_, err = tx.ExecContext(ctx, `DELETE FROM reports WHERE heard_at < ?`, micros(a.now().Add(-reportsKept)))
		}
		return errors.Join(err, a.sweepMessages(ctx, tx))
	})
	if err == nil {
		err = a.clearSlots(ctx, true)
	}
	return err
}

// tombstonesLast is how long screens are told of visits that went.
const tombstonesLast = 30 * 24 * time.Hour

// gone is the stage after the last: no visit any more.
const gone house.Stage = house.OnlyFindings + 1

// A step of a sweep moves the visits of one kind and stage on, once a period
// is over.
type step struct {
	kind     house.Kind
	from, to house.Stage
	period   house.Period
	zone     *time.Location
	fresh    bool // leaves out old visits that were brought in
}

// stepsOf are all that the rules ask for, of each kind with what takes most
// away first. Visits that are not examined come last: once their stills have
// gone they are damaged ones, and one sweep does one thing with a visit.
func stepsOf(r house.Rules) (steps []step) {
	for _, kind := range append(slices.Clone(house.Kinds), house.Looking) {
		rule, zone := r.For(kind), r.Location()
		for _, from := range []house.Stage{house.Whole, house.Smaller, house.OnlyFindings} {
			steps = append(steps, step{kind, from, gone, rule.Findings, zone, false})
		}
		if rule.Stills != rule.Findings {
			steps = append(steps, step{kind, house.Whole, house.OnlyFindings, rule.Stills, zone, false},
				step{kind, house.Smaller, house.OnlyFindings, rule.Stills, zone, false})
		}
		if rule.Smaller != (house.Period{}) {
			steps = append(steps, step{kind, house.Whole, house.Smaller, rule.Smaller, zone, false})
		}
	}
	return steps
}

// A sweepCursor is where in a step's list of visits, oldest first, a sweep has come to.
type sweepCursor struct {
	countedFrom int64
	id          string
}

// due returns the next visits after a place that the step moves on, limit at
// most, and the place to go on from; held ones are passed by. Fewer than limit
// means that there are no more.
func (a *Archive) due(ctx context.Context, q querier, s step, after sweepCursor,
	limit int) (ids []string, next sweepCursor, err error) {
	now := a.now()
	// Daylight saving makes days of the calendar longer or shorter by an
	// hour or so; those near the edge are judged one by one.
	latest := now.Add(-time.Duration(s.period.AtLeastHours()) * time.Hour)
	if s.period.Days > 0 {
		latest = latest.Add(edge)
	}
	next = after
	for len(ids) < limit {
		rows, err := q.QueryContext(ctx, `
			SELECT v.counted_from, v.id FROM visits v
			WHERE v.stage = ? AND v.kind = ? AND (v.counted_from, v.id) > (?, ?) AND v.counted_from <= ?
				AND NOT EXISTS (SELECT 1 FROM holds h WHERE h.visit = v.id AND h.ends_at > ?)
				AND (v.kind <> 'looking' OR coalesce(v.imported_at, 0) <= ?)
				AND NOT (? AND v.imported_at IS NOT NULL)
			ORDER BY v.counted_from, v.id LIMIT ?`,
			s.from, s.kind, next.countedFrom, next.id, micros(latest), micros(now), micros(now.Add(-toExamine)),
			s.fresh, limit-len(ids))
		found, err := scanAll(rows, err, func(p *sweepCursor) error { return rows.Scan(&p.countedFrom, &p.id) })
		if err != nil || len(found) == 0 {
			return ids, next, err
		}
		for _, p := range found {
			if !s.period.After(time.UnixMicro(p.countedFrom), s.zone).After(now) {
				ids = append(ids, p.id)
			}
		}
		next = found[len(found)-1]
	}
	return ids, next, nil
}

// toExamine is how long old visits that were brought in may wait to be examined:
// only then it is known whose rule they go by.
const toExamine = 24 * time.Hour

// edge is more than any zone's clock was ever moved at once.
const edge = 25 * time.Hour

// start is before every visit, even those of a clock before 1970.
var start = sweepCursor{countedFrom: -1 << 62}

// sweepBatches moves everything on that a step says is due.
func (a *Archive) sweepBatches(ctx context.Context, s step, move func(context.Context, *sql.Tx,
	[]string) error) (moved int, err error) {
	for next := start; ; {
		var ids []string
		// A batch that was begun ends, even if the server is stopping.
		err := a.update(context.WithoutCancel(ctx), func(tx *sql.Tx) (err error) {
			if ids, next, err = a.due(ctx, tx, s, next, batch); err != nil || len(ids) == 0 {
				return err
			}
			return move(ctx, tx, ids)
		})
		moved += len(ids)
		if err == nil && len(ids) > 0 {
			err = a.finishRemovals(ctx)
		}
		if err != nil || len(ids) < batch {
			return moved, err
		}
	}
}

// outliving returns what of a face outlives its still: not the descriptor nor
// the landmarks, which could make it known again.
func outliving(f house.Face) house.Face {
	return house.Face{Box: f.Box, Match: f.Match, Liveness: f.Liveness.Summary(), Unlooked: f.Unlooked}
}

// letStillsGo leaves of visits what was found: the stills' files and keys go,
// and what of the faces may not outlive them. A still that waits to be examined
// can't be any more.
func (a *Archive) letStillsGo(ctx context.Context, tx *sql.Tx, ids []string) error {
	visits, err := a.visitsIn(ctx, tx, `WHERE v.id IN (SELECT value FROM json_each(?))`, jsonList(ids))
	if err != nil {
		return err
	}
	for _, v := range visits {
		for _, s := range v.Stills {
			for _, f := range s.Faces {
				if err := a.reduceFace(ctx, tx, f.ID, outliving(f)); err != nil {
					return err
				}
				if _, err := tx.ExecContext(ctx, `DELETE FROM looks WHERE face = ?`, f.ID); err != nil {
					return err
				}
			}
		}
		for _, statement := range []string{
			`INSERT INTO removals (file) SELECT file FROM stills WHERE visit = ? AND file IS NOT NULL`,
			`UPDATE stills SET file = NULL, slot = NULL, sha256 = x'', size = 0,
				state = iif(state = 'pending', 'failed', state) WHERE visit = ?`,
			`UPDATE visits SET stage = 2 WHERE id = ?`,
		} {
			if _, err := tx.ExecContext(ctx, statement, v.ID); err != nil {
				return fmt.Errorf("letting stills go: %w", err)
			}
		}
		if err := a.settle(ctx, tx, v.ID); err != nil {
			return err
		}
	}
	return nil
}

// sweepSmaller replaces stills by smaller ones, visit by visit.
func (a *Archive) sweepSmaller(ctx context.Context, s step, shrink Shrinker) (moved int, err error) {
	var failed []error
	for next := start; ctx.Err() == nil; {
		var ids []string
		if ids, next, err = a.due(ctx, a.read, s, next, batch); err != nil {
			return moved, err
		}
		for _, id := range ids {
			err := a.shrinkVisit(ctx, id, shrink)
			switch {
			case err == nil:
				moved++
			case errors.Is(err, house.ErrNoSpace):
				return moved, err // it would fail for all others too
			case !errors.Is(err, errChanged) && !errors.Is(err, house.ErrNotFound): // else there will be another sweep
				failed = append(failed, fmt.Errorf("making the stills of visit %s smaller: %w", id, err))
			}
		}
		if len(ids) < batch {
			break
		}
	}
	return moved, errors.Join(failed...)
}

func (a *Archive) shrinkVisit(ctx context.Context, id string, shrink Shrinker) error {
	v, err := a.Visit(ctx, id)
	if err != nil {
		return err
	}
	if v.Pending() {
		return errChanged // a frame that came late, whose faces would be measured on a larger still
	}
	var news []replacement
	for _, s := range v.Stills {
		if s.File == "" {
			continue
		}
		data, err := a.ReadStill(ctx, id, s.Frame)
		if errors.Is(err, seal.ErrOpen) || errors.Is(err, fs.ErrNotExist) {
			continue // there is nothing to make smaller, and it goes when the others go
		}
		if err != nil {
			return err
		}
		r := replacement{old: s, masked: s.Masked}
		if r.jpeg, r.width, r.height, err = shrink(data); err != nil {
			return err
		}
		if r.width == s.Width && r.height == s.Height {
			continue // small enough, as a ring's others are when a frame comes late
		}
		for _, f := range s.Faces {
			r.faces = append(r.faces, f.Scaled(float64(r.width)/float64(s.Width), float64(r.height)/float64(s.Height)))
		}
		news = append(news, r)
	}
	return a.replaceStills(ctx, v, house.Smaller, news)
}

// followClock sees to it that no clock that was wrong keeps a visit for longer.
// A visit from a time to come was received before the clock was set back: its
// periods begin now at the latest. Once the clock has come to that time after
// all, since it was the setting back that was wrong, they begin there.
func (a *Archive) followClock(ctx context.Context) error {
	queries := []string{`UPDATE visits SET counted_from = received_at WHERE rowid IN
		(SELECT rowid FROM visits WHERE counted_from < received_at AND received_at <= ?1 LIMIT ?2)`}
	for _, stage := range []house.Stage{house.Whole, house.Smaller, house.OnlyFindings} {
		for _, kind := range kindsFor("") {
			queries = append(queries, fmt.Sprintf(`UPDATE visits SET counted_from = ?1 WHERE rowid IN
				(SELECT rowid FROM visits WHERE stage = %d AND kind = '%s' AND counted_from > ?1 LIMIT ?2)`, stage, kind))
		}
	}
	for _, query := range queries {
		for changed := int64(1); changed > 0; {
			err := a.update(ctx, func(tx *sql.Tx) error {
				// The time is asked for when it is this one's turn to write: what
				// came in while it waited is of no time to come.
				res, err := tx.ExecContext(ctx, query, micros(a.now()), 20*batch)
				if err == nil {
					changed, err = res.RowsAffected()
				}
				return err
			})
			if err != nil {
				return fmt.Errorf("following the clock: %w", err)
			}
		}
	}
	return nil
}

// Preview counts what a sweep by these rules would do now, kind by kind, without
// doing it. The error is ErrBadRule if they can't be followed.
func (a *Archive) Preview(ctx context.Context, r house.Rules) (map[house.Kind]house.Swept, error) {
	if err := r.Check(); err != nil {
		return nil, err
	}
	tx, err := a.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, fmt.Errorf("counting what would go: %w", err)
	}
	defer tx.Rollback()
	p := make(map[house.Kind]house.Swept)
	counted := make(map[step]int) // by where visits stand: those that an earlier step takes
	for _, s := range stepsOf(r) {
		n, err := a.countDue(ctx, tx, s)
		if err != nil {
			return nil, fmt.Errorf("counting what would go: %w", err)
		}
		at := step{kind: s.kind, from: s.from}
		n -= counted[at]
		counted[at] += n
		kind := p[s.kind]
		switch s.to {
		case gone:
			kind.Visits += n
		case house.OnlyFindings:
			kind.Findings += n
		case house.Smaller:
			kind.Smaller += n
		}
		p[s.kind] = kind
	}
	return p, nil
}

// countDue counts the visits that a step moves on: those that are certainly due
// by their ages, those near the edge one by one.
func (a *Archive) countDue(ctx context.Context, tx *sql.Tx, s step) (n int, err error) {
	now := a.now()
	certain := now.Add(-time.Duration(s.period.AtLeastHours())*time.Hour - edge)
	if s.kind == house.Looking { // few, whose turn has come where they were brought in long ago
		certain = time.UnixMicro(start.countedFrom)
	}
	// Whole spans by the table, and of the last one each visit.
	err = tx.QueryRowContext(ctx, `
		SELECT (SELECT coalesce(sum(visits), 0) FROM ages WHERE stage = ?1 AND kind = ?2 AND span < ?3 >> 36
				AND NOT (?5 AND imported))
			+ (SELECT count(*) FROM visits WHERE stage = ?1 AND kind = ?2
				AND counted_from >= (?3 >> 36) << 36 AND counted_from <= ?3 AND NOT (?5 AND imported_at IS NOT NULL))
			- (SELECT count(*) FROM holds h CROSS JOIN visits v ON v.id = h.visit
				WHERE h.ends_at > ?4 AND v.stage = ?1 AND v.kind = ?2 AND v.counted_from <= ?3
					AND NOT (?5 AND v.imported_at IS NOT NULL))`,
		s.from, s.kind, certain.UnixMicro(), micros(now), s.fresh).Scan(&n)
	if err != nil {
		return 0, err
	}
	for next := (sweepCursor{certain.UnixMicro(), "~"}); ; {
		var ids []string
		if ids, next, err = a.due(ctx, tx, s, next, 1000); err != nil {
			return 0, err
		}
		if n += len(ids); len(ids) < 1000 {
			return n, nil
		}
	}
}

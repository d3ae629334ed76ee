package store

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/store/seal"
)

// AddAdvice keeps advice and returns its id. A suggestion takes the factors, and
// the parcel, that it rests on, in the same transaction: the error is ErrTaken,
// and nothing is kept, if one of them was used meanwhile, or the visit is one of a
// trial. Persons are all that
// it tells of. It takes the place of advice that was withheld on the same visit
// and door; where something was suggested there before, the error is ErrTaken. So
// it is for a parcel where anything was suggested on the same visit, and for a
// person where a parcel was: a ring is one or the other. The error is ErrSuspect,
// and nothing is suggested, while there are suspicions ([Archive.Suspicions]).
func (a *Archive) AddAdvice(ctx context.Context, d house.Advice, persons ...string) (id string, err error) {
	d.ID = newID()
	err = a.update(ctx, func(tx *sql.Tx) error {
		if err := a.mustBe(ctx, tx, "visits", "visit", d.Visit); err != nil {
			return err
		}
		if err := a.makeWay(ctx, tx, d); err != nil {
			return err
		}
		if d.State == house.Suggested {
			if err := errors.Join(a.mustBeTrusted(ctx, tx), oneRing(ctx, tx, d), takeFor(ctx, tx, d)); err != nil {
				return err
			}
		}
		sealed, slot, err := a.sealKeyedJSON(ctx, tx, d, "advice.sealed", d.ID)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM advice WHERE at < ?`,
			micros(a.now().Add(-adviceKept))); err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `
			INSERT INTO advice (id, visit, door, state, at, expires_at, unmet, unasked, sealed, slot)
				VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			d.ID, d.Visit, d.Door, d.State, micros(d.At), micros(d.ExpiresAt), strings.Join(d.Unmet(), ","),
			strings.Join(d.NotAsked(), ","), sealed, slot)
		if err != nil {
			return err
		}
		if err := tellsOf(ctx, tx, d, persons); err != nil {
			return err
		}
		if d.State == house.Suggested {
			if err := a.note(ctx, tx, string(d.State), "advice "+d.ID+" visit "+d.Visit); err != nil {
				return err
			}
		}
		return a.touchVisit(ctx, tx, d.Visit)
	})
	if err != nil {
		return "", fmt.Errorf("keeping advice: %w", spaceError(err))
	}
	a.signal()
	return d.ID, nil
}

// tellsOf keeps whom advice tells of.
func tellsOf(ctx context.Context, tx *sql.Tx, d house.Advice, persons []string) error {
	for _, p := range append(persons, d.Person) {
		if p == "" {
			continue
		}
		if _, err := tx.ExecContext(ctx,
			`INSERT INTO advice_persons (advice, person) VALUES (?, ?) ON CONFLICT DO NOTHING`, d.ID, p); err != nil {
			return err
		}
	}
	return nil
}

// oneRing sees to it that no parcel is suggested where the same ring was good for
// something else, at whatever door, and no person where it was for a parcel.
func oneRing(ctx context.Context, tx *sql.Tx, d house.Advice) error {
	var other bool
	err := tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM advice WHERE visit = ?1 AND state <> 'withheld'
			AND (?2 OR EXISTS (SELECT 1 FROM parcel_rules WHERE used_by = advice.id)))`, d.Visit, d.Parcel != "").Scan(&other)
	if err == nil && other {
		err = house.ErrTaken
	}
	return err
}

// makeWay removes what was withheld on the same visit and door.
func (a *Archive) makeWay(ctx context.Context, tx *sql.Tx, d house.Advice) error {
	var suggested bool
	err := tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM advice WHERE visit = ? AND door = ? `+
		`AND state <> 'withheld')`, d.Visit, d.Door).Scan(&suggested)
	if err != nil {
		return err
	}
	if suggested {
		return house.ErrTaken
	}
	_, err = tx.ExecContext(ctx, `DELETE FROM advice WHERE visit = ? AND door = ?`, d.Visit, d.Door)
	return err
}

// takeFor marks what a suggestion rests on as used for it.
func takeFor(ctx context.Context, tx *sql.Tx, d house.Advice) error {
	// Whoever stands at a trial need not be whom a picture shows.
	if tried, err := isTrialRing(ctx, tx, d.Visit); err != nil || tried {
		return cmp.Or(err, house.ErrTaken)
	}
	for _, f := range d.Factors {
		if err := take(ctx, tx, "factors", f, d.ID); err != nil {
			return fmt.Errorf("factor %s: %w", f, err)
		}
	}
	if d.Parcel != "" {
		if err := take(ctx, tx, "parcel_rules", d.Parcel, d.ID); err != nil {
			return fmt.Errorf("parcel %s: %w", d.Parcel, err)
		}
	}
	return nil
}

func take(ctx context.Context, tx *sql.Tx, table, id, advice string) error {
	res, err := tx.ExecContext(ctx, `UPDATE `+table+` SET used_by = ? WHERE id = ? AND used_by IS NULL AND `+
		vouchedFor(table, ""), advice, id)
	if err != nil {
		return err
	}
	if n, err := res.RowsAffected(); err != nil || n > 0 {
		return err
	}
	return house.ErrTaken
}

// touchVisit gives a visit a new revision, so that whoever watches reads it
// again.
func (a *Archive) touchVisit(ctx context.Context, tx *sql.Tx, visit string) error {
	revision, err := nextRevision(ctx, tx)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `UPDATE visits SET revision = ? WHERE id = ?`, revision, visit)
	return err
}

// EndAdvice ends a suggestion that is open: it was used, dismissed, or its time
// ran out. Once it ended it stays so. The error is ErrTaken if it is not open,
// or if its time has run out and it is not Expired that it becomes, and
// ErrNotFound.
func (a *Archive) EndAdvice(ctx context.Context, id string, as house.AdviceState) error {
	err := a.update(ctx, func(tx *sql.Tx) error { return a.endAdvice(ctx, tx, id, as) })
	if err != nil {
		return fmt.Errorf("ending advice %s: %w", id, spaceError(err))
	}
	a.signal()
	return nil
}

func (a *Archive) endAdvice(ctx context.Context, tx *sql.Tx, id string, as house.AdviceState) error {
	return a.changeOpen(ctx, tx, id, as, as, func(d *house.Advice) error {
		if as == house.Dismissed {
			return giveBack(ctx, tx, *d)
		}
		return nil
	})
}

// WithdrawAdvice ends a suggestion that is open since what it rested on does not
// hold any more, which d says by its conditions, and persons are all that those
// tell of. What it took can be used again, unless receivers may have heard of it.
// The errors are those of [Archive.EndAdvice].
func (a *Archive) WithdrawAdvice(ctx context.Context, d house.Advice, persons ...string) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		err := a.changeOpen(ctx, tx, d.ID, house.Withdrawn, house.Withdrawn, func(was *house.Advice) error {
			was.Conditions = d.Conditions
			return errors.Join(tellsOf(ctx, tx, *was, persons), giveBack(ctx, tx, *was))
		})
		if err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `UPDATE advice SET unmet = ?, unasked = ? WHERE id = ?`,
			strings.Join(d.Unmet(), ","), strings.Join(d.NotAsked(), ","), d.ID)
		return err
	})
	if err != nil {
		return fmt.Errorf("withdrawing advice %s: %w", d.ID, spaceError(err))
	}
	a.signal()
	return nil
}

// ConfirmAdvice lets receivers hear of a suggestion that is open and waits for
// somebody to look: who is behind the context. The error is ErrTaken if it is not
// open, or does not wait any more, and ErrNotFound.
func (a *Archive) ConfirmAdvice(ctx context.Context, id string) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		if err := a.mustBeTrusted(ctx, tx); err != nil {
			return err
		}
		return a.changeOpen(ctx, tx, id, house.Suggested, "confirmed", func(d *house.Advice) error {
			if d.Released() {
				return house.ErrTaken
			}
			d.ReleasedAt, d.ConfirmedBy = a.now(), house.Actor(ctx)
			return nil
		})
	})
	if err != nil {
		return fmt.Errorf("confirming advice %s: %w", id, spaceError(err))
	}
	a.signal()
	return nil
}

// changeOpen changes a suggestion that is open, and gives it a state.
func (a *Archive) changeOpen(ctx context.Context, tx *sql.Tx, id string, as, action house.AdviceState,
	change func(*house.Advice) error) error {
	found, err := a.adviceIn(ctx, tx, `WHERE id = ? AND `+vouchedFor("advice", ""), id)
	if err != nil {
		return err
	}
	if len(found) == 0 {
		return house.ErrNotFound
	}
	d := found[0]
	if d.State != house.Suggested || as != house.Expired && !a.now().Before(d.ExpiresAt) {
		return house.ErrTaken
	}
	if err := change(&d); err != nil {
		return err
	}
	subject := "advice " + id
	if d.Visit != "" {
		subject += " visit " + d.Visit
	}
	if d.State = as; as != house.Suggested {
		d.By, d.EndedAt = house.Actor(ctx), a.now()
	}
	var sealed []byte
	if err := tx.QueryRowContext(ctx, `SELECT sealed FROM advice WHERE id = ?`, id).Scan(&sealed); err != nil {
		return err
	}
	raw, err := json.Marshal(d)
	if err == nil {
		sealed, err = a.sealAgain(sealed, raw, "advice.sealed", id)
	}
	if err != nil {
		return fmt.Errorf("sealing advice %s: %w", id, err)
	}
	if err := a.changeIn(ctx, tx, string(action), subject, house.ErrTaken,
		`UPDATE advice SET state = ?, sealed = ? WHERE id = ?`, as, sealed, id); err != nil {
		return err
	}
	if d.Visit == "" {
		return nil
	}
	return a.touchVisit(ctx, tx, d.Visit)
}

// giveBack lets what a suggestion took be used again, if no receiver can have
// heard of it.
func giveBack(ctx context.Context, tx *sql.Tx, d house.Advice) error {
	if d.Released() {
		return nil
	}
	for _, table := range []string{"factors", "parcel_rules"} {
		if _, err := tx.ExecContext(ctx, `UPDATE `+table+` SET used_by = NULL WHERE used_by = ?`, d.ID); err != nil {
			return err
		}
	}
	return nil
}

// dismissAll dismisses every suggestion that is open.
func (a *Archive) dismissAll(ctx context.Context, tx *sql.Tx) error {
	return a.dismissWhere(ctx, tx, `true`)
}

// dismissWhere dismisses the open suggestions that the condition picks.
func (a *Archive) dismissWhere(ctx context.Context, tx *sql.Tx, condition string, args ...any) error {
	open, err := a.adviceIn(ctx, tx,
		`WHERE state = 'suggested' AND expires_at > ? AND `+vouchedFor("advice", "")+` AND `+condition,
		append([]any{micros(a.now())}, args...)...)
	if err != nil {
		return err
	}
	for _, d := range open {
		if d.State != house.Suggested {
			continue // it does not open, and so is withdrawn
		}
		if err := a.endAdvice(ctx, tx, d.ID, house.Dismissed); err != nil {
			return err
		}
	}
	return nil
}

// ExpireAdvice ends every suggestion whose time has run out, and returns when
// the next will; the zero time if none is open.
func (a *Archive) ExpireAdvice(ctx context.Context) (next time.Time, err error) {
	open, err := a.adviceIn(ctx, a.read, `WHERE state = 'suggested' ORDER BY expires_at`)
	if err != nil {
		return next, fmt.Errorf("looking for advice that has expired: %w", err)
	}
	for _, d := range open {
		if d.ExpiresAt.After(a.now()) {
			return d.ExpiresAt, nil
		}
		if err := a.EndAdvice(ctx, d.ID, house.Expired); err != nil && !errors.Is(err, house.ErrTaken) &&
			!errors.Is(err, house.ErrNotFound) {
			return next, err
		}
	}
	return next, nil
}

// Advice returns the advice of that id, or ErrNotFound.
func (a *Archive) Advice(ctx context.Context, id string) (house.Advice, error) {
	all, err := a.adviceIn(ctx, a.read, `WHERE id = ?`, id)
	if err == nil && len(all) == 0 {
		err = house.ErrNotFound
	}
	if err != nil {
		return house.Advice{}, fmt.Errorf("reading advice %s: %w", id, err)
	}
	return all[0], nil
}

// AdviceUntil returns the suggestions whose time ends after t, whatever became of
// them, the oldest first. While there are suspicions ([Archive.Suspicions]), those
// that receivers may hear of are as withdrawn: one may have been put back.
func (a *Archive) AdviceUntil(ctx context.Context, t time.Time) ([]house.Advice, error) {
	all, err := a.adviceIn(ctx, a.read, `WHERE expires_at > ? ORDER BY at, id`, micros(t))
	released := func(d house.Advice) bool { return d.State == house.Suggested && d.Released() }
	if err == nil && slices.ContainsFunc(all, released) {
		err = a.trusted(ctx)
	}
	if errors.Is(err, house.ErrSuspect) {
		err = nil
		for i := range all {
			if released(all[i]) {
				all[i].State = house.Withdrawn
			}
		}
	}
	if err != nil {
		return nil, fmt.Errorf("reading advice: %w", err)
	}
	return all, nil
}

// AdviceOn returns the advice given on visits, the newest first.
func (a *Archive) AdviceOn(ctx context.Context, visits ...string) ([]house.Advice, error) {
	all, err := a.adviceIn(ctx, a.read, `WHERE visit IN (SELECT value FROM json_each(?)) ORDER BY at DESC, id`,
		jsonList(visits))
	if err != nil {
		return nil, fmt.Errorf("reading advice: %w", err)
	}
	return all, nil
}

// AdviceSince returns the advice given since a time, the newest first. It is
// kept for 31 days. Once a visit is gone, only the conditions that were not met
// are left of the advice on it, by their codes.
func (a *Archive) AdviceSince(ctx context.Context, t time.Time) ([]house.Advice, error) {
	all, err := a.adviceIn(ctx, a.read, `WHERE at >= ? ORDER BY at DESC, id`, micros(t))
	if err != nil {
		return nil, fmt.Errorf("reading advice: %w", err)
	}
	return all, nil
}

// AdviceOf returns the advice that tells of a person, the newest first: whom
// it was about, and who stood there besides. It is kept for 31 days.
func (a *Archive) AdviceOf(ctx context.Context, person string) ([]house.Advice, error) {
	all, err := a.adviceIn(ctx, a.read, `WHERE id IN (SELECT advice FROM advice_persons WHERE person = ?) `+
		`ORDER BY at DESC, id`, person)
	if err != nil {
		return nil, fmt.Errorf("reading advice on a person: %w", err)
	}
	return all, nil
}

func (a *Archive) adviceIn(ctx context.Context, q querier, clause string, args ...any) ([]house.Advice, error) {
	rows, err := q.QueryContext(ctx, `SELECT id, coalesce(visit, ''), coalesce(door, ''), state, at, expires_at, unmet, `+
		`unasked, sealed FROM advice `+clause, args...)
	return scanAll(rows, err, func(d *house.Advice) error {
		var id, visit, door, unmet, unasked string
		var state house.AdviceState
		var at, expires sql.NullInt64
		var sealed []byte
		if err := rows.Scan(&id, &visit, &door, &state, &at, &expires, &unmet, &unasked, &sealed); err != nil {
			return err
		}
		if sealed != nil {
			err := a.openJSON(d, sealed, "advice.sealed", id)
			if errors.Is(err, seal.ErrOpen) {
				sealed = nil
				if state == house.Suggested {
					state = house.Withdrawn // nobody knows what for
				}
			} else if err != nil {
				return err
			}
		}
		if sealed == nil {
			d.Conditions = slices.Concat(conditionsLeft(unmet, false), conditionsLeft(unasked, true))
		}
		d.ID, d.Visit, d.Door, d.State, d.At, d.ExpiresAt = id, visit, door, state, timeOf(at), timeOf(expires)
		return nil
	})
}

// conditionsLeft are the conditions of which only the codes are kept.
func conditionsLeft(codes string, notAsked bool) (all []house.Condition) {
	for code := range strings.SplitSeq(codes, ",") {
		if code != "" {
			all = append(all, house.Condition{Code: code, NotAsked: notAsked})
		}
	}
	return all
}

// wordsSince is the schema from which on advice is kept in codes and numbers.
const wordsSince = 7

// dropSentences seals all advice anew, without the sentences that were kept with
// its conditions before. Those stay with their codes. A row that can't be opened
// is left to [Archive.Verify].
func (a *Archive) dropSentences(ctx context.Context, tx *sql.Tx) error {
	type row struct {
		id     string
		sealed []byte
	}
	rows, err := tx.QueryContext(ctx, `SELECT id, sealed FROM advice WHERE sealed IS NOT NULL`)
	all, err := scanAll(rows, err, func(r *row) error { return rows.Scan(&r.id, &r.sealed) })
	if err != nil {
		return err
	}
	for _, r := range all {
		var d house.Advice
		if a.openJSON(&d, r.sealed, "advice.sealed", r.id) != nil {
			continue
		}
		sealed, err := a.sealJSON(d, "advice.sealed", r.id)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `UPDATE advice SET sealed = ? WHERE id = ?`, sealed, r.id); err != nil {
			return err
		}
	}
	return nil
}

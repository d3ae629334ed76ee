package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"sync"
	"time"
)

// A Period is one that is being erased.
type Period struct {
	From, Until time.Time // from the first until before the second
	Of          int       // visits there were to erase
}

// underWay are the periods that this process erases now.
type underWay struct {
	mu  sync.Mutex
	all map[Period]bool
}

// begin reports whether nobody here erases the period yet; then whoever asked does,
// until end.
func (u *underWay) begin(p Period) bool {
	u.mu.Lock()
	defer u.mu.Unlock()
	p.Of = 0
	if u.all[p] {
		return false
	}
	if u.all == nil {
		u.all = make(map[Period]bool)
	}
	u.all[p] = true
	return true
}

func (u *underWay) end(p Period) {
	u.mu.Lock()
	defer u.mu.Unlock()
	p.Of = 0
	delete(u.all, p)
}

// ErasePeriod erases every visit received from one time until before another,
// except those held, and what is kept aside from then. If it breaks off,
// [Archive.FinishErasures] goes on.
func (a *Archive) ErasePeriod(ctx context.Context, from, until time.Time) (e Erased, err error) {
	if !from.Before(until) {
		return e, errors.New("erasing a period: it ends before it begins")
	}
	p := Period{From: timeOf(micros(from)), Until: timeOf(micros(until))}
	if !a.erasing.begin(p) {
		return e, errors.New("erasing a period: it is being erased already")
	}
	defer a.erasing.end(p)
	would, err := a.WouldErasePeriod(ctx, from, until)
	if err != nil {
		return e, err
	}
	err = a.update(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `INSERT INTO erasing_periods (first, past, of) VALUES (?, ?, ?) ON CONFLICT DO NOTHING`,
			micros(from), micros(until), would.Visits)
		if err != nil {
			return err
		}
		return a.note(ctx, tx, "erased",
			"from "+from.UTC().Format(time.RFC3339)+" until "+until.UTC().Format(time.RFC3339))
	})
	if err == nil {
		e, err = a.finishPeriod(ctx, p)
	}
	if err != nil {
		return e, fmt.Errorf("erasing a period, after %d visits: %w", e.Visits, spaceError(err))
	}
	return e, nil
}

// finishPeriod erases what is left of a period.
func (a *Archive) finishPeriod(ctx context.Context, p Period) (e Erased, err error) {
	from, until := micros(p.From), micros(p.Until)
	e.Visits, err = a.eraseWhile(ctx, `
		SELECT v.id FROM visits v WHERE v.received_at >= ?1 AND v.received_at < ?2
			AND NOT EXISTS (SELECT 1 FROM holds h WHERE h.visit = v.id AND h.ends_at > ?3) LIMIT ?4`,
		from, until, micros(a.now()), batch)
	if err == nil {
		_, err = a.dropAside(ctx, func(at time.Time) bool { return !at.Before(p.From) && at.Before(p.Until) })
	}
	if err == nil {
		_, err = a.write.ExecContext(ctx, `DELETE FROM erasing_periods WHERE first = ? AND past = ?`, from, until)
	}
	if err == nil {
		err = a.read.QueryRowContext(ctx, `SELECT count(*) FROM visits WHERE received_at >= ? AND received_at < ?`,
			from, until).Scan(&e.Held)
	}
	return e, err
}

// finishPeriods goes on with erasures of periods that were broken off.
func (a *Archive) finishPeriods(ctx context.Context) error {
	all, err := a.ErasingPeriods(ctx)
	if err != nil {
		return err
	}
	for _, p := range all {
		if !a.erasing.begin(p) {
			continue
		}
		_, err := a.finishPeriod(ctx, p)
		a.erasing.end(p)
		if err != nil {
			return fmt.Errorf("erasing a period: %w", spaceError(err))
		}
	}
	return nil
}

// ErasingPeriods returns the periods whose erasure was begun and is not over.
func (a *Archive) ErasingPeriods(ctx context.Context) ([]Period, error) {
	rows, err := a.read.QueryContext(ctx, `SELECT first, past, of FROM erasing_periods ORDER BY first, past`)
	all, err := scanAll(rows, err, func(p *Period) error {
		var from, until sql.NullInt64
		err := rows.Scan(&from, &until, &p.Of)
		p.From, p.Until = timeOf(from), timeOf(until)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("looking for erasures under way: %w", damage(err))
	}
	return all, nil
}

// WouldErasePeriod counts what ErasePeriod would erase now, and the visits that
// it would leave for their hold.
func (a *Archive) WouldErasePeriod(ctx context.Context, from, until time.Time) (e Erased, err error) {
	tx, err := a.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return e, fmt.Errorf("counting the visits of a period: %w", err)
	}
	defer tx.Rollback()
	if e.Visits, err = a.countPeriod(ctx, tx, from, until); err == nil {
		err = tx.QueryRowContext(ctx, `SELECT count(*) FROM holds h CROSS JOIN visits v ON v.id = h.visit
			WHERE h.ends_at > ?3 AND v.received_at >= ?1 AND v.received_at < ?2`,
			micros(from), micros(until), micros(a.now())).Scan(&e.Held)
	}
	if err != nil {
		return e, fmt.Errorf("counting the visits of a period: %w", err)
	}
	e.Visits -= e.Held
	return e, nil
}

// ends is how much of a period, at its beginning and at its end, visits are counted one by
// one of: a day of any zone begins and ends within a day of UTC's.
const ends = 3 * 24 * time.Hour

// countPeriod counts the visits of a period: by the counts of the days that are
// certainly within it, and before and after those each visit.
func (a *Archive) countPeriod(ctx context.Context, tx *sql.Tx, from, until time.Time) (visits int, err error) {
	const each = `SELECT count(*) FROM visits WHERE received_at >= ?1 AND received_at < ?2`
	if until.Sub(from) <= 2*ends {
		return visits, tx.QueryRowContext(ctx, each, micros(from), micros(until)).Scan(&visits)
	}
	sealed, err := sealedRules(ctx, tx)
	if err != nil {
		return 0, err
	}
	first, last := dayOf(from.UTC().AddDate(0, 0, 2)), dayOf(until.UTC().AddDate(0, 0, -2))
	err = tx.QueryRowContext(ctx, `
		SELECT (SELECT coalesce(sum(visits), 0) FROM days WHERE person = '' AND day BETWEEN ?3 AND ?4)
			+ (`+each+` AND local_day(received_at, ?7) < ?3)
			+ (SELECT count(*) FROM visits WHERE received_at >= ?5 AND received_at < ?6 AND local_day(received_at, ?7) > ?4)`,
		micros(from), micros(from.Add(ends)), first, last, micros(until.Add(-ends)), micros(until), sealed).Scan(&visits)
	return visits, err
}

package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"time"

	"lintel/internal/house"
)

// StartTrial starts a trial at a bell and dismisses what is suggested at its
// doors. The error is ErrTrialRuns, or ErrNotFound without such a bell.
func (a *Archive) StartTrial(ctx context.Context, bell, resident string) (id string, err error) {
	id = newID()
	now := a.now()
	err = a.update(ctx, func(tx *sql.Tx) error {
		if err := a.bellMustBe(ctx, tx, bell); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx,
			`UPDATE trials SET ended_at = ends_at WHERE ended_at IS NULL AND ends_at <= ?`, micros(now))
		if err != nil {
			return err
		}
		if err := a.dismissAt(ctx, tx, bell); err != nil {
			return err
		}
		return a.changeIn(ctx, tx, "started", "trial "+id, house.ErrTrialRuns, `
			INSERT INTO trials (id, bell, resident, step, started_at, ends_at) SELECT ?, ?, ?, 0, ?, ?
			WHERE NOT EXISTS (SELECT 1 FROM trials WHERE ended_at IS NULL)`,
			id, a.bellID(bell), resident, micros(now), micros(now.Add(house.TrialLasts)))
	})
	if err != nil {
		return "", fmt.Errorf("starting a trial: %w", spaceError(err))
	}
	a.signal()
	return id, nil
}

// dismissAt dismisses every suggestion that is open at a door of the bell's.
func (a *Archive) dismissAt(ctx context.Context, tx *sql.Tx, bell string) error {
	doors, err := a.doorsIn(ctx, tx)
	if err != nil {
		return err
	}
	open, err := a.adviceIn(ctx, tx, `WHERE state = 'suggested' AND expires_at > ? AND `+vouchedFor("advice", ""),
		micros(a.now()))
	if err != nil {
		return err
	}
	for _, d := range open {
		if !slices.ContainsFunc(doors, func(door house.Door) bool { return door.ID == d.Door && door.Bell == bell }) {
			continue
		}
		if err := a.endAdvice(ctx, tx, d.ID, house.Dismissed); err != nil {
			return err
		}
	}
	return nil
}

// StepTrial has a trial go on to a step, from the one before. The error is
// ErrTrialStep if it is at another, ErrTrialOver or ErrNotFound.
func (a *Archive) StepTrial(ctx context.Context, id string, to house.TrialStep) error {
	return a.changeTrial(ctx, id, house.ErrTrialStep,
		`UPDATE trials SET step = step + 1 WHERE id = ?1 AND step + 1 = ?2`, slices.Index(house.TrialSteps, to))
}

// EndTrial ends a trial that runs. The error is ErrTrialOver or ErrNotFound.
func (a *Archive) EndTrial(ctx context.Context, id string) error {
	return a.changeTrial(ctx, id, house.ErrTrialOver, `UPDATE trials SET ended_at = ?2 WHERE id = ?1`, micros(a.now()))
}

// changeTrial makes a change of a trial that runs.
func (a *Archive) changeTrial(ctx context.Context, id string, none error, statement string, with any) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		runs, err := a.trialRuns(ctx, tx, id)
		if err == nil && !runs {
			err = house.ErrTrialOver
		}
		if err != nil {
			return err
		}
		return a.changeIn(ctx, tx, "changed", "trial "+id, none, statement, id, with)
	})
	if err != nil {
		return fmt.Errorf("changing trial %s: %w", id, spaceError(err))
	}
	a.signal()
	return nil
}

func (a *Archive) trialRuns(ctx context.Context, tx *sql.Tx, id string) (runs bool, err error) {
	err = tx.QueryRowContext(ctx,
		`SELECT ended_at IS NULL AND ends_at > ? FROM trials WHERE id = ?`, micros(a.now()), id).Scan(&runs)
	if errors.Is(err, sql.ErrNoRows) {
		err = house.ErrNotFound
	}
	return runs, err
}

// RemoveTrial removes a trial that is over, with all its findings. The visits
// stay. The error is ErrTrialRuns or ErrNotFound.
func (a *Archive) RemoveTrial(ctx context.Context, id string) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		runs, err := a.trialRuns(ctx, tx, id)
		if err == nil && runs {
			err = house.ErrTrialRuns
		}
		if err != nil {
			return err
		}
		return a.removeRowIn(ctx, tx, "trials", "trial", id)
	})
	if err != nil {
		return fmt.Errorf("removing trial %s: %w", id, spaceError(err))
	}
	a.signal()
	return nil
}

// RemoveTrialRing takes a ring out of a trial: somebody else rang. The visit
// stays. The error is ErrNotFound.
func (a *Archive) RemoveTrialRing(ctx context.Context, trial, ring string) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		return a.changeIn(ctx, tx, "changed", "trial "+trial, house.ErrNotFound,
			`DELETE FROM trial_rings WHERE trial = ? AND id = ?`, trial, ring)
	})
	if err != nil {
		return fmt.Errorf("taking a ring out of trial %s: %w", trial, spaceError(err))
	}
	a.signal()
	return nil
}

// RunningTrial returns the trial that runs, without its rings, if one does.
func (a *Archive) RunningTrial(ctx context.Context) (t house.Trial, runs bool, err error) {
	all, err := a.trials(ctx, `WHERE t.ended_at IS NULL AND t.ends_at > ?`, micros(a.now()))
	if err != nil || len(all) == 0 {
		return t, false, err
	}
	return all[0], true, nil
}

// TrialEnds returns when the last trial at each bell ends or ended, by the
// bell's name.
func (a *Archive) TrialEnds(ctx context.Context) (map[string]time.Time, error) {
	all, err := a.trials(ctx, `WHERE coalesce(t.ended_at, t.ends_at) = (
		SELECT max(coalesce(u.ended_at, u.ends_at)) FROM trials u WHERE u.bell = t.bell)`)
	if err != nil {
		return nil, err
	}
	ends := make(map[string]time.Time)
	for _, t := range all {
		ends[t.Bell] = t.EndsAt
	}
	return ends, nil
}

// Trials lists all trials with their rings, the newest first.
func (a *Archive) Trials(ctx context.Context) ([]house.Trial, error) {
	all, err := a.trials(ctx, `ORDER BY t.started_at DESC, t.id`)
	for i := range all {
		if err == nil {
			err = a.fillTrial(ctx, &all[i])
		}
	}
	return all, err
}

// Trial returns a trial with its rings. The error is ErrNotFound.
func (a *Archive) Trial(ctx context.Context, id string) (house.Trial, error) {
	all, err := a.trials(ctx, `WHERE t.id = ?`, id)
	if err == nil && len(all) == 0 {
		err = fmt.Errorf("trial %s: %w", id, house.ErrNotFound)
	}
	if err != nil {
		return house.Trial{}, err
	}
	return all[0], a.fillTrial(ctx, &all[0])
}

func (a *Archive) trials(ctx context.Context, clause string, args ...any) ([]house.Trial, error) {
	rows, err := a.read.QueryContext(ctx, `
		SELECT t.id, t.bell, b.name, t.resident, t.step, t.started_at, coalesce(t.ended_at, t.ends_at)
		FROM trials t JOIN main.bells b ON b.id = t.bell `+clause, args...)
	all, err := scanAll(rows, err, func(t *house.Trial) error {
		var bell string
		var name []byte
		var step int
		var started, ends sql.NullInt64
		if err := rows.Scan(&t.ID, &bell, &name, &t.Resident, &step, &started, &ends); err != nil {
			return err
		}
		t.Step, t.StartedAt, t.EndsAt = house.TrialSteps[step], timeOf(started), timeOf(ends)
		return a.bellAddress(&t.Bell, name, bell)
	})
	if err != nil {
		return nil, fmt.Errorf("reading trials: %w", damage(err))
	}
	return all, nil
}

func (a *Archive) fillTrial(ctx context.Context, t *house.Trial) error {
	rows, err := a.read.QueryContext(ctx, `
		SELECT id, coalesce(visit, ''), step, at, sealed FROM trial_rings WHERE trial = ? ORDER BY at, rowid`, t.ID)
	t.Rings, err = scanAll(rows, err, func(r *house.TrialRing) error {
		var step int
		var at sql.NullInt64
		var sealed []byte
		if err := rows.Scan(&r.ID, &r.Visit, &step, &at, &sealed); err != nil {
			return err
		}
		r.Step, r.At = house.TrialSteps[step], timeOf(at)
		if sealed == nil {
			return nil
		}
		var found house.TrialFound
		err := a.openJSON(&found, sealed, "trial_rings.sealed", r.ID)
		if err == nil {
			r.Found = &found
		}
		return passedOver(err)
	})
	if err != nil {
		return fmt.Errorf("reading a trial's rings: %w", damage(err))
	}
	return nil
}

// takeForTrial makes a visit of one still, its first, a ring of the trial that
// runs at its bell.
func (a *Archive) takeForTrial(ctx context.Context, tx *sql.Tx, visit string) error {
	_, err := tx.ExecContext(ctx, `
		INSERT INTO trial_rings (id, trial, visit, step, at)
		SELECT ?1, t.id, v.id, t.step, v.received_at FROM trials t JOIN visits v ON v.bell = t.bell
		WHERE t.ended_at IS NULL AND v.id = ?2 AND v.received_at >= t.started_at AND v.received_at < t.ends_at
			AND (SELECT count(*) FROM stills WHERE visit = v.id) = 1`, newID(), visit)
	if err != nil {
		return fmt.Errorf("taking a ring for a trial: %w", err)
	}
	return nil
}

// isTrialRing reports whether a visit belongs to a trial.
func isTrialRing(ctx context.Context, q querier, visit string) (is bool, err error) {
	err = q.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM trial_rings WHERE visit = ?)`, visit).Scan(&is)
	return is, err
}

// noteForTrial keeps what was found on a visit that belongs to a trial, once all
// its stills were looked at.
func (a *Archive) noteForTrial(ctx context.Context, tx *sql.Tx, visit string) error {
	is, err := isTrialRing(ctx, tx, visit)
	if err != nil || !is {
		return err
	}
	all, err := a.visitsIn(ctx, tx, `WHERE v.id = ?`, visit)
	if err != nil || len(all) == 0 || all[0].Pending() {
		return err
	}
	var ring string
	if err := tx.QueryRowContext(ctx, `SELECT id FROM trial_rings WHERE visit = ?`, visit).Scan(&ring); err != nil {
		return err
	}
	sealed, slot, err := a.sealKeyedJSON(ctx, tx, house.FoundOn(all[0]), "trial_rings.sealed", ring)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `UPDATE trial_rings SET sealed = ?, slot = ? WHERE id = ?`, sealed, slot, ring)
	return err
}

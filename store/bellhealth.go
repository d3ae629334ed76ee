package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/internal/house"
)

// KeepHeartbeat keeps a heartbeat of a bell as its last, and for a week. Of one
// minute the last is kept, so a bell that sends without end fills nothing. The
// error is ErrNotFound without such a bell.
func (a *Archive) KeepHeartbeat(ctx context.Context, bell string, h house.Heartbeat) error {
	id := a.bellID(bell)
	row := id + "/" + strconv.FormatInt(h.At.Unix()/60, 10)
	err := a.update(ctx, func(tx *sql.Tx) error {
		if err := a.bellMustBe(ctx, tx, bell); err != nil {
			return err
		}
		sealed, err := a.sealJSON(h, "heartbeats.sealed", row)
		if err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `INSERT INTO heartbeats (id, bell, at, sealed) VALUES (?, ?, ?, ?)
			ON CONFLICT (id) DO UPDATE SET at = excluded.at, sealed = excluded.sealed`, row, id, micros(h.At), sealed)
		return err
	})
	if err != nil {
		return fmt.Errorf("keeping a heartbeat: %w", spaceError(err))
	}
	return nil
}

// Heartbeats returns those of a bell since a time, the oldest first. They are kept
// for a week.
func (a *Archive) Heartbeats(ctx context.Context, bell string, since time.Time) ([]house.Heartbeat, error) {
	rows, err := a.read.QueryContext(ctx, `SELECT id, sealed FROM heartbeats WHERE bell = ? AND at >= ? ORDER BY at`,
		a.bellID(bell), since.UnixMicro())
	beats, err := scanAll(rows, err, func(h *house.Heartbeat) error {
		var id string
		var sealed []byte
		if err := rows.Scan(&id, &sealed); err != nil {
			return err
		}
		return passedOver(a.openJSON(h, sealed, "heartbeats.sealed", id))
	})
	if err != nil {
		return nil, fmt.Errorf("reading heartbeats: %w", damage(err))
	}
	return beats, nil
}

// AddBellDay adds a count to what came from a bell on that day. Of a bell that was
// removed meanwhile nothing is kept.
func (a *Archive) AddBellDay(ctx context.Context, bell string, d house.BellDay) error {
	id := a.bellID(bell)
	row := id + "/" + d.Day
	err := a.update(ctx, func(tx *sql.Tx) error {
		if err := a.bellMustBe(ctx, tx, bell); err != nil {
			return err
		}
		day := house.BellDay{Day: d.Day}
		var sealed []byte
		err := tx.QueryRowContext(ctx, `SELECT sealed FROM bell_days WHERE id = ?`, row).Scan(&sealed)
		if err == nil {
			err = passedOver(a.openJSON(&day, sealed, "bell_days.sealed", row))
		}
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		day.Add(d)
		if sealed, err = a.sealJSON(day, "bell_days.sealed", row); err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `INSERT INTO bell_days (id, bell, at, sealed) VALUES (?, ?, ?, ?)
			ON CONFLICT (id) DO UPDATE SET at = excluded.at, sealed = excluded.sealed`, row, id, micros(a.now()), sealed)
		return err
	})
	if err != nil && !errors.Is(err, house.ErrNotFound) {
		return fmt.Errorf("counting what a bell sent: %w", spaceError(err))
	}
	return nil
}

// BellDays returns what came from a bell on each day of the last week that anything
// did, the first day first.
func (a *Archive) BellDays(ctx context.Context, bell string) ([]house.BellDay, error) {
	rows, err := a.read.QueryContext(ctx, `SELECT id, sealed FROM bell_days WHERE bell = ?`, a.bellID(bell))
	days, err := scanAll(rows, err, func(d *house.BellDay) error {
		var id string
		var sealed []byte
		if err := rows.Scan(&id, &sealed); err != nil {
			return err
		}
		return passedOver(a.openJSON(d, sealed, "bell_days.sealed", id))
	})
	if err != nil {
		return nil, fmt.Errorf("reading what bells sent: %w", damage(err))
	}
	slices.SortFunc(days, func(a, b house.BellDay) int { return strings.Compare(a.Day, b.Day) })
	return days, nil
}

// ForgetHealth deletes heartbeats and days that are older than they are kept.
func (a *Archive) ForgetHealth(ctx context.Context) error {
	if a.ReadOnly() {
		return nil
	}
	now, err := a.soundNow(ctx)
	if err != nil {
		return fmt.Errorf("deleting old heartbeats: %w", err)
	}
	before := micros(now.Add(-house.HealthKept))
	for _, table := range []string{"heartbeats", "bell_days"} {
		if _, err := a.write.ExecContext(ctx, `DELETE FROM `+table+` WHERE at < ?`, before); err != nil {
			return fmt.Errorf("deleting old heartbeats: %w", damage(err))
		}
	}
	return nil
}

// BellHealth returns how a bell is, and BellHealths how all are, by address. A bell
// of which nothing is known has the zero Health.
func (a *Archive) BellHealth(ctx context.Context, bell string) (house.Health, error) {
	return a.bellHealth(ctx, a.read, a.bellID(bell))
}

func (a *Archive) BellHealths(ctx context.Context) (map[string]house.Health, error) {
	bells, err := a.Bells(ctx)
	if err != nil {
		return nil, err
	}
	all := make(map[string]house.Health, len(bells))
	for _, b := range bells {
		if all[b.Address], err = a.BellHealth(ctx, b.Address); err != nil {
			return nil, err
		}
	}
	return all, nil
}

func (a *Archive) bellHealth(ctx context.Context, q querier, id string) (h house.Health, err error) {
	var sealed []byte
	err = q.QueryRowContext(ctx, `SELECT sealed FROM bell_health WHERE bell = ?`, id).Scan(&sealed)
	if errors.Is(err, sql.ErrNoRows) {
		return h, nil
	}
	if err == nil {
		err = passedOver(a.openJSON(&h, sealed, "bell_health.sealed", id))
	}
	if err != nil {
		return h, fmt.Errorf("reading how a bell is: %w", damage(err))
	}
	return h, nil
}

// ChangeBellHealth changes what is known of how a bell is: change gets what was
// kept last. Ailments that begin or end are entries of the audit trail, and
// everybody who watches is told. The error is ErrNotFound without such a bell, or
// that of change.
func (a *Archive) ChangeBellHealth(ctx context.Context, bell string, change func(*house.Health) error) error {
	return a.changeBellHealth(ctx, bell, func(_ *sql.Tx, h *house.Health) error { return change(h) })
}

// changeBellHealth is ChangeBellHealth for what changes more in the same transaction.
func (a *Archive) changeBellHealth(ctx context.Context, bell string,
	change func(*sql.Tx, *house.Health) error) error {
	id := a.bellID(bell)
	turned := false
	err := a.update(ctx, func(tx *sql.Tx) error {
		if err := a.bellMustBe(ctx, tx, bell); err != nil {
			return err
		}
		h, err := a.bellHealth(ctx, tx, id)
		if err != nil {
			return err
		}
		before := h
		if err := change(tx, &h); err != nil {
			return err
		}
		sealed, err := a.sealJSON(h, "bell_health.sealed", id)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO bell_health (bell, sealed) VALUES (?, ?)
			ON CONFLICT (bell) DO UPDATE SET sealed = excluded.sealed`, id, sealed); err != nil {
			return err
		}
		turned, err = a.noteAilments(ctx, tx, id, before, h)
		return err
	})
	if err != nil {
		return fmt.Errorf("keeping how a bell is: %w", spaceError(err))
	}
	if turned {
		a.signal()
	}
	return nil
}

// noteAilments writes down which ailments began and which are over.
func (a *Archive) noteAilments(ctx context.Context, tx *sql.Tx, bell string,
	before, after house.Health) (turned bool, err error) {
	for _, what := range house.Ailments {
		_, was := before.Has(what)
		_, is := after.Has(what)
		if was == is {
			continue
		}
		turned = true
		action := "bell-" + string(what)
		if was {
			action += "-over"
		}
		err = errors.Join(err, a.note(ctx, tx, action, "bell "+bell))
	}
	return turned, err
}

// SetHeartbeat says how often a bell sends a heartbeat: 0 for house.UsualInterval,
// and less than 0 for a bell that sends none, which is never quiet then.
func (a *Archive) SetHeartbeat(ctx context.Context, bell string, every time.Duration) error {
	if every > 0 && (every < house.MinInterval || every > house.MaxInterval) {
		return house.ErrBadInterval
	}
	return a.changeBellHealth(ctx, bell, func(tx *sql.Tx, h *house.Health) error {
		h.Interval = every
		if every < 0 {
			h.End(house.BellQuiet, a.now())
		}
		return a.note(ctx, tx, "changed", "heartbeat "+a.bellID(bell))
	})
}

// BellView returns what a bell usually sees, as [Archive.KeepBellView] was given it;
// nil where nothing is known.
func (a *Archive) BellView(ctx context.Context, bell string) (view []byte, err error) {
	id := a.bellID(bell)
	var sealed []byte
	err = a.read.QueryRowContext(ctx, `SELECT sealed FROM bell_views WHERE bell = ?`, id).Scan(&sealed)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err == nil {
		view, err = a.open(sealed, "bell_views.sealed", id)
		err = passedOver(err)
	}
	if err != nil {
		return nil, fmt.Errorf("reading what a bell usually sees: %w", damage(err))
	}
	return view, nil
}

// KeepBellView keeps what a bell usually sees.
func (a *Archive) KeepBellView(ctx context.Context, bell string, view []byte) error {
	id := a.bellID(bell)
	_, err := a.write.ExecContext(ctx, `INSERT INTO bell_views (bell, sealed)
		SELECT ?1, ?2 WHERE EXISTS (SELECT 1 FROM bells WHERE id = ?1 AND removed_at IS NULL)
		ON CONFLICT (bell) DO UPDATE SET sealed = excluded.sealed`, id, a.seals.Value(view, "bell_views.sealed", id))
	if err != nil {
		return fmt.Errorf("keeping what a bell usually sees: %w", spaceError(err))
	}
	return nil
}

// ForgetBellView forgets what a bell usually sees, so that it is learned anew, and
// what was found wrong with its view. The error is ErrNotFound without such a bell.
func (a *Archive) ForgetBellView(ctx context.Context, bell string) error {
	id := a.bellID(bell)
	return a.changeBellHealth(ctx, bell, func(tx *sql.Tx, h *house.Health) error {
		for _, what := range house.Ailments {
			if what.OfView() {
				h.End(what, a.now())
				delete(h.Signs, what)
			}
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM bell_views WHERE bell = ?`, id); err != nil {
			return err
		}
		return a.note(ctx, tx, "removed", "view "+id)
	})
}

// BellID is a bell's id: what the audit trail and figures name it by.
func (a *Archive) BellID(name string) string { return a.bellID(name) }

// HasBell reports whether there is such a bell: the error is ErrNotFound if not.
func (a *Archive) HasBell(ctx context.Context, name string) error {
	return a.bellMustBe(ctx, a.read, name)
}

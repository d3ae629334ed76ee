package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"lintel/internal/house"
)

// AddMessage has a bell's display show a message from now until its end, in place
// of what it shows, and returns its id. It takes the bell, the visit if it answers
// one, the text, whom it names, the rule and the end; who sent it comes with the
// context.
//
// A rule sends one message a visit, and none over what somebody sent: the error is
// ErrTaken then. The others are ErrNotFound, for a bell or a visit of it that is
// not there, ErrNoDisplay and ErrManyMessages.
func (a *Archive) AddMessage(ctx context.Context, m house.Message) (id string, err error) {
	m.ID, m.SentAt, m.By = newID(), a.now(), house.Actor(ctx)
	bell := a.bellID(m.Bell)
	err = a.update(ctx, func(tx *sql.Tx) error {
		if err := a.bellMustBe(ctx, tx, m.Bell); err != nil {
			return err
		}
		if err := a.mayAdd(ctx, tx, bell, m); err != nil {
			return err
		}
		if err := a.endMessages(ctx, tx, bell); err != nil {
			return err
		}
		subject := "message " + m.ID
		if m.Visit != "" {
			subject += " visit " + m.Visit
			if err := a.touchVisit(ctx, tx, m.Visit); err != nil {
				return err
			}
		}
		sealed, slot, err := a.sealKeyed(ctx, tx, []byte(m.Text), "messages.sealed", m.ID)
		if err != nil {
			return err
		}
		return a.changeIn(ctx, tx, "sent", subject, house.ErrTaken, `
			INSERT INTO messages (id, bell, visit, person, rule, by_whom, sealed, slot, sent_at, until)
			VALUES (?, ?, nullif(?, ''), nullif(?, ''), ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING`,
			m.ID, bell, m.Visit, m.Person, m.Rule, m.By, sealed, slot, micros(m.SentAt), micros(m.Until))
	})
	if err != nil {
		return "", fmt.Errorf("sending a message: %w", spaceError(err))
	}
	a.signal()
	return m.ID, nil
}

// mayAdd reports why a message may not be added.
func (a *Archive) mayAdd(ctx context.Context, tx *sql.Tx, bell string, m house.Message) error {
	var d house.Display
	known, err := a.settingOrNone(ctx, tx, displaySetting(bell), &d)
	if err != nil {
		return err
	}
	if !known {
		return house.ErrNoDisplay
	}
	var byHand bool
	var there, sent int
	err = tx.QueryRowContext(ctx, `SELECT
		EXISTS (SELECT 1 FROM messages WHERE bell = ?1 AND rule = '' AND ended_at IS NULL AND until > ?3),
		(SELECT count(*) FROM visits WHERE id = ?2 AND bell = ?1),
		(SELECT count(*) FROM messages WHERE visit = ?2)`, bell, m.Visit, micros(m.SentAt)).Scan(&byHand, &there, &sent)
	switch {
	case err != nil:
		return err
	case m.Visit != "" && there == 0:
		return fmt.Errorf("visit %s: %w", m.Visit, house.ErrNotFound)
	case sent >= house.MostMessages:
		return house.ErrManyMessages
	case m.Rule != "" && byHand:
		return house.ErrTaken
	}
	return nil
}

// endMessages ends what a bell's display shows, if it shows something.
func (a *Archive) endMessages(ctx context.Context, tx *sql.Tx, bell string) error {
	now := micros(a.now())
	visits, err := texts(tx.QueryContext(ctx, `
		UPDATE messages SET ended_at = ?1 WHERE bell = ?2 AND ended_at IS NULL AND until > ?1
		RETURNING coalesce(visit, '')`, now, bell))
	if err != nil {
		return err
	}
	return a.touchVisits(ctx, tx, visits)
}

// touchVisits is touchVisit for several; an empty id is none.
func (a *Archive) touchVisits(ctx context.Context, tx *sql.Tx, visits []string) error {
	for _, v := range visits {
		if v == "" {
			continue
		}
		if err := a.touchVisit(ctx, tx, v); err != nil {
			return err
		}
	}
	return nil
}

// ClearMessage has a bell's display show nothing from now on. That it shows
// nothing already is no error; ErrNotFound is, without such a bell.
func (a *Archive) ClearMessage(ctx context.Context, bell string) error {
	id := a.bellID(bell)
	return a.changeOfBell(ctx, bell, "message", func(tx *sql.Tx) error {
		if err := a.endMessages(ctx, tx, id); err != nil {
			return err
		}
		return a.note(ctx, tx, "cleared", "display "+id)
	})
}

// CurrentMessage returns what a bell's display has to show now, and whether that
// is anything.
func (a *Archive) CurrentMessage(ctx context.Context, bell string) (m house.Message, found bool, err error) {
	all, err := a.currentIn(ctx, a.read, bell)
	if err != nil || len(all) == 0 {
		return m, false, err
	}
	return all[0], true, nil
}

// currentIn is asked by each bell with every change of the archive, and so must not
// go through all that the bell ever showed.
func (a *Archive) currentIn(ctx context.Context, q querier, bell string) ([]house.Message, error) {
	return a.messagesIn(ctx, q, `WHERE m.bell = ?1 AND m.ended_at IS NULL AND m.until > ?2
		ORDER BY m.sent_at DESC, m.id LIMIT 1`, a.bellID(bell), micros(a.now()))
}

// ShowedMessage notes that a bell shows a message, the first time it says so. The
// error is ErrNotFound for a message that is not the bell's.
func (a *Archive) ShowedMessage(ctx context.Context, bell, id string) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		var visit sql.NullString
		var shown sql.NullInt64
		err := tx.QueryRowContext(ctx, `SELECT visit, shown_at FROM messages WHERE id = ? AND bell = ?`, id,
			a.bellID(bell)).Scan(&visit, &shown)
		if errors.Is(err, sql.ErrNoRows) {
			return fmt.Errorf("message %s: %w", id, house.ErrNotFound)
		}
		if err != nil || shown.Valid {
			return err
		}
		if _, err := tx.ExecContext(ctx, `UPDATE messages SET shown_at = ? WHERE id = ?`, micros(a.now()),
			id); err != nil {
			return err
		}
		return a.touchVisits(ctx, tx, []string{visit.String})
	})
	if err != nil {
		return fmt.Errorf("noting that a message is shown: %w", spaceError(err))
	}
	a.signal()
	return nil
}

// MissMessages notes of messages that no bell said it shows within
// [house.NotReceivedAfter] that they were not received. It returns when it has to
// be asked again, the zero time if no message waits.
func (a *Archive) MissMessages(ctx context.Context) (next time.Time, err error) {
	const waiting = `shown_at IS NULL AND missed_at IS NULL`
	before := micros(a.now().Add(-house.NotReceivedAfter))
	var first sql.NullInt64
	look := func() error {
		return a.read.QueryRowContext(ctx, `SELECT min(sent_at) FROM messages WHERE `+waiting).Scan(&first)
	}
	if err := look(); err != nil {
		return next, fmt.Errorf("looking for messages that were not received: %w", err)
	}
	if first.Valid && first.Int64 <= before.Int64 {
		err := a.update(ctx, func(tx *sql.Tx) error {
			visits, err := texts(tx.QueryContext(ctx, `UPDATE messages SET missed_at = ?1
				WHERE `+waiting+` AND sent_at <= ?2 RETURNING coalesce(visit, '')`, micros(a.now()), before))
			if err != nil {
				return err
			}
			return a.touchVisits(ctx, tx, visits)
		})
		if err == nil {
			a.signal()
			err = look()
		}
		if err != nil {
			return next, fmt.Errorf("noting that messages were not received: %w", spaceError(err))
		}
	}
	if !first.Valid {
		return next, nil
	}
	return timeOf(first).Add(house.NotReceivedAfter), nil
}

// sweepMessages lets go of what displays showed without a visit, a day after.
func (a *Archive) sweepMessages(ctx context.Context, tx *sql.Tx) error {
	_, err := tx.ExecContext(ctx, `DELETE FROM messages WHERE visit IS NULL AND until < ?`,
		micros(a.now().Add(-24*time.Hour)))
	return err
}

// messagesOf returns the messages that answered visits, oldest first.
func (a *Archive) messagesOf(ctx context.Context, q querier, visits ...string) ([]house.Message, error) {
	return a.messagesIn(ctx, q, `WHERE m.visit IN (SELECT value FROM json_each(?)) ORDER BY m.sent_at, m.id`,
		jsonList(visits))
}

func (a *Archive) messagesIn(ctx context.Context, q querier, clause string, args ...any) ([]house.Message, error) {
	rows, err := q.QueryContext(ctx, `SELECT m.id, m.bell, b.name, coalesce(m.visit, ''), coalesce(m.person, ''), m.rule,
		m.by_whom, m.sealed, m.sent_at, m.until, m.shown_at, m.missed_at, m.ended_at
		FROM messages m JOIN main.bells b ON b.id = m.bell `+clause, args...)
	all, err := scanAll(rows, err, func(m *house.Message) error {
		var bell string
		var name, sealed []byte
		var sent, until, shown, missed, ended sql.NullInt64
		if err := rows.Scan(&m.ID, &bell, &name, &m.Visit, &m.Person, &m.Rule, &m.By, &sealed, &sent, &until, &shown,
			&missed, &ended); err != nil {
			return err
		}
		m.SentAt, m.Until, m.ShownAt, m.MissedAt, m.EndedAt = timeOf(sent), timeOf(until), timeOf(shown), timeOf(missed),
			timeOf(ended)
		return errors.Join(a.bellAddress(&m.Bell, name, bell),
			a.unseal(&m.Text, sealed, "messages.sealed", m.ID))
	})
	if err != nil {
		return nil, fmt.Errorf("reading messages: %w", damage(err))
	}
	return all, nil
}

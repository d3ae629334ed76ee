package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"lintel/internal/house"
	"lintel/store/seal"
)

// Consents returns all consents of a person's, those withdrawn as well, in the
// order they were given.
func (a *Archive) Consents(ctx context.Context, person string) ([]house.RecordedConsent, error) {
	rows, err := a.read.QueryContext(ctx, `
		SELECT id, given_by, given_at, scope, recorded_at, withdrawn_at FROM consents
		WHERE person = ? ORDER BY given_at, recorded_at, id`, person)
	consents, err := scanAll(rows, err, func(c *house.RecordedConsent) error {
		var id string
		var by, scope []byte
		var given, recorded, withdrawn sql.NullInt64
		if err := rows.Scan(&id, &by, &given, &scope, &recorded, &withdrawn); err != nil {
			return err
		}
		c.GivenAt, c.RecordedAt, c.WithdrawnAt = timeOf(given), timeOf(recorded), timeOf(withdrawn)
		return errors.Join(
			a.unseal(&c.GivenBy, by, "consents.given_by", id),
			a.unseal(&c.Scope, scope, "consents.scope", id))
	})
	if err != nil {
		return nil, fmt.Errorf("reading consents: %w", err)
	}
	return consents, nil
}

// Enrolments returns all references of a person's in the order they came,
// whether a consent is in force or not: [Archive.Gallery] has those that are
// compared with.
func (a *Archive) Enrolments(ctx context.Context, person string) ([]house.Enrolment, error) {
	rows, err := a.read.QueryContext(ctx, `
		SELECT g.id, g.person, g.descriptor, g.face_width, coalesce(g.quality, 0), g.added_at, coalesce(p.origin, '')
			FROM gallery g LEFT JOIN portraits p ON p.reference = g.id WHERE g.person = ? ORDER BY g.added_at, g.id`,
		person)
	refs, err := scanAll(rows, err, func(e *house.Enrolment) error {
		var sealed []byte
		var added sql.NullInt64
		var origin house.Origin
		if err := rows.Scan(&e.ID, &e.Person, &sealed, &e.FaceWidth, &e.Quality, &added, &origin); err != nil {
			return err
		}
		if e.AddedAt = timeOf(added); origin != "" {
			e.Portrait = &house.Portrait{Origin: origin}
		}
		descriptor, err := a.open(sealed, "gallery.descriptor", e.ID)
		if errors.Is(err, seal.ErrOpen) {
			return nil // nothing is known of it any more
		}
		if err != nil {
			return fmt.Errorf("opening a reference: %w", err)
		}
		e.Descriptor, err = decodeDescriptor(descriptor)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("reading references: %w", err)
	}
	return refs, nil
}

// AnswersAbout returns the faces for which somebody answered that they are the
// person's, or was asked whether they are, the first answer first.
func (a *Archive) AnswersAbout(ctx context.Context, person string) ([]house.Sighting, error) {
	return a.sightings(ctx, a.read, `checks k JOIN faces f ON f.id = k.face`,
		`WHERE k.person = ?1 OR k.asked = ?1 ORDER BY k.at, s.frame, k.face`, person)
}

// TrailOf returns entries of the audit trail about a person, about their
// one-time codes, and about visits that are tied to them now as VisitsOf has
// it, oldest first and limit at most: those after the entry of that number.
func (a *Archive) TrailOf(ctx context.Context, person string, after int64, limit int) ([]house.Entry, error) {
	entries, err := a.entries(ctx, a.read, `
		WHERE seq > ?2 AND (subject IN ('person ' || ?1, 'codes ' || ?1, 'one-time codes of person ' || ?1)
			OR subject IN (SELECT 'visit ' || visit FROM (`+visitsOf+`)))
		ORDER BY seq LIMIT ?3`, person, after, limit)
	if err != nil {
		return nil, fmt.Errorf("reading the audit trail: %w", err)
	}
	return entries, nil
}

// TrailOn returns the entries of the audit trail about a visit, oldest first, limit
// at most.
func (a *Archive) TrailOn(ctx context.Context, visit string, limit int) ([]house.Entry, error) {
	entries, err := a.entries(ctx, a.read, `
		WHERE instr(' ' || subject, ' visit ') > 0 AND substr(subject, instr(' ' || subject, ' visit ') + 6) = ?1
		ORDER BY seq LIMIT ?2`, visit, limit)
	if err != nil {
		return nil, fmt.Errorf("reading the audit trail: %w", err)
	}
	return entries, nil
}

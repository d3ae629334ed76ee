package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"

	"golang.org/x/text/unicode/norm"

	"lintel/internal/house"
	"lintel/store/seal"
)

// AddPerson adds a person, who can be enrolled once there is a consent. The
// error is ErrBadPersonName or ErrNameUnseen for a name that is none, and
// ErrPersonTwice for one that somebody has, whatever its case.
func (a *Archive) AddPerson(ctx context.Context, name string) (p house.Person, err error) {
	err = a.update(ctx, func(tx *sql.Tx) error {
		p, err = a.addPerson(ctx, tx, name)
		return err
	})
	if err != nil {
		return house.Person{}, fmt.Errorf("adding a person: %w", spaceError(err))
	}
	return p, nil
}

// AddConsenting adds a person together with the consent that they gave, or nothing.
// The errors are those of AddPerson and RecordConsent.
func (a *Archive) AddConsenting(ctx context.Context, name string, c house.Consent) (p house.Person, err error) {
	err = a.update(ctx, func(tx *sql.Tx) error {
		if p, err = a.addPerson(ctx, tx, name); err != nil {
			return err
		}
		return a.recordConsent(ctx, tx, p.ID, c)
	})
	if err != nil {
		return house.Person{}, fmt.Errorf("adding a person: %w", spaceError(err))
	}
	p.Consent = &c
	return p, nil
}

func (a *Archive) addPerson(ctx context.Context, tx *sql.Tx, name string) (house.Person, error) {
	name = norm.NFC.String(strings.TrimSpace(name))
	if err := house.CheckName(name, 200); errors.Is(err, house.ErrNameUnseen) {
		return house.Person{}, err
	} else if err != nil || len(name) > 200 {
		return house.Person{}, house.ErrBadPersonName
	}
	// No other transaction writes meanwhile, of this process or another.
	if twice, err := a.personNamed(ctx, tx, name); err != nil || len(twice) > 0 {
		return house.Person{}, cmp.Or(err, house.ErrPersonTwice)
	}
	p := house.Person{ID: newID(), Name: name, AddedAt: a.now().UTC()}
	sealed, slot, err := a.sealKeyed(ctx, tx, []byte(p.Name), "persons.name", p.ID)
	if err != nil {
		return house.Person{}, err
	}
	return p, a.changeIn(ctx, tx, "added", "person "+p.ID, house.ErrExists,
		`INSERT INTO persons (id, name, slot, added_at) VALUES (?, ?, ?, ?)`, p.ID, sealed, slot, micros(p.AddedAt))
}

// RecordConsent keeps a consent of the person's. The error is ErrNoConsent if
// it does not say who agreed, when and to what.
func (a *Archive) RecordConsent(ctx context.Context, person string, c house.Consent) error {
	err := a.update(ctx, func(tx *sql.Tx) error { return a.recordConsent(ctx, tx, person, c) })
	return spaceError(err)
}

func (a *Archive) recordConsent(ctx context.Context, tx *sql.Tx, person string, c house.Consent) error {
	if err := c.Complete(); err != nil {
		return err
	}
	if c.GivenAt.After(a.now()) {
		return house.Fault{Of: house.ErrNoConsent, Code: "consent-future"}
	}
	id := newID()
	by, slot, err := a.sealKeyed(ctx, tx, []byte(c.GivenBy), "consents.given_by", id)
	var scope []byte
	if err == nil {
		scope, err = a.sealAgain(by, []byte(c.Scope), "consents.scope", id)
	}
	if err != nil {
		return fmt.Errorf("recording a consent of person %s: %w", person, err)
	}
	err = a.changeIn(ctx, tx, "consented", "person "+person, house.ErrNotFound, `
		INSERT INTO consents (id, person, given_by, given_at, scope, recorded_at, slot)
		SELECT ?, id, ?, ?, ?, ?, ? FROM persons WHERE id = ? AND id NOT IN (SELECT person FROM erasing)`,
		id, by, micros(c.GivenAt), scope, micros(a.now()), slot, person)
	if err != nil {
		return fmt.Errorf("recording a consent of person %s: %w", person, err)
	}
	return nil
}

// WithdrawConsent ends every consent of a person's that is in force, and all that
// was done by it: the references go, so that nobody is taken for the person from
// now on, suggestions for them that are open are dismissed, and the visits that
// name them stay as a stranger's, by whose rules they are kept. It returns how
// many visits those are. Who else the person is to the household stays: the name,
// phones, tokens, codes and rules. If it breaks off, [Archive.FinishErasures] goes
// on. A backup made before brings all of it back where it is restored, and then
// the consent has to be withdrawn again. The error is ErrNotFound, or ErrNoConsent
// if none is in force.
func (a *Archive) WithdrawConsent(ctx context.Context, person string) (unnamed int, err error) {
	err = a.update(ctx, func(tx *sql.Tx) error {
		if err := a.isThere(ctx, tx, person); errors.Is(err, house.ErrPersonGone) || person == "" {
			return fmt.Errorf("person %s: %w", person, house.ErrNotFound)
		} else if err != nil {
			return err
		}
		if err := a.dismissWhere(ctx, tx, `id IN (SELECT advice FROM advice_persons WHERE person = ?)`,
			person); err != nil {
			return err
		}
		for _, statement := range []string{
			`DELETE FROM gallery WHERE person = ?`,
			`DELETE FROM messages WHERE person = ?`,
		} {
			if _, err := tx.ExecContext(ctx, statement, person); err != nil {
				return err
			}
		}
		return a.changeIn(ctx, tx, "withdrew", "person "+person, house.ErrNoConsent,
			`UPDATE consents SET withdrawn_at = ? WHERE person = ? AND withdrawn_at IS NULL`, micros(a.now()), person)
	})
	if err == nil {
		unnamed, err = a.unnameAll(ctx, person)
	}
	if err != nil {
		return unnamed, fmt.Errorf("withdrawing a consent: %w", spaceError(err))
	}
	return unnamed, nil
}

// withdrawn finds the persons whose every consent is withdrawn. Nobody is named
// as one of them.
const withdrawn = `SELECT person FROM consents GROUP BY person HAVING count(withdrawn_at) = count(*)`

func (a *Archive) isWithdrawn(ctx context.Context, q querier, person string) (is bool, err error) {
	err = q.QueryRowContext(ctx, `SELECT ? IN (`+withdrawn+`)`, person).Scan(&is)
	return is, err
}

// Persons lists the persons by name.
func (a *Archive) Persons(ctx context.Context) ([]house.Person, error) {
	return a.personsIn(ctx, a.read)
}

func (a *Archive) personsIn(ctx context.Context, q querier) ([]house.Person, error) {
	rows, err := q.QueryContext(ctx, `
		SELECT p.id, p.name, p.added_at, c.id, c.given_by, c.given_at, c.scope,
			(SELECT count(*) FROM gallery g WHERE g.person = p.id)
		FROM persons p
		LEFT JOIN consents c ON c.id = (
			SELECT id FROM consents WHERE person = p.id AND withdrawn_at IS NULL ORDER BY given_at DESC, id LIMIT 1)
		WHERE p.id NOT IN (SELECT person FROM erasing)`)
	persons, err := scanAll(rows, err, func(p *house.Person) error { return a.scanPerson(rows, p) })
	if err != nil {
		return nil, fmt.Errorf("listing persons: %w", err)
	}
	slices.SortFunc(persons, func(a, b house.Person) int {
		return cmp.Or(strings.Compare(strings.ToLower(a.Name), strings.ToLower(b.Name)), strings.Compare(a.ID, b.ID))
	})
	return persons, nil
}

func (a *Archive) scanPerson(rows *sql.Rows, p *house.Person) error {
	var added, given sql.NullInt64
	var consent sql.NullString
	var name, by, scope []byte
	if err := rows.Scan(&p.ID, &name, &added, &consent, &by, &given, &scope, &p.References); err != nil {
		return err
	}
	p.AddedAt = timeOf(added)
	if err := a.unseal(&p.Name, name, "persons.name", p.ID); err != nil || !consent.Valid {
		return err
	}
	p.Consent = &house.Consent{GivenAt: timeOf(given)}
	return errors.Join(
		a.unseal(&p.Consent.GivenBy, by, "consents.given_by", consent.String),
		a.unseal(&p.Consent.Scope, scope, "consents.scope", consent.String))
}

// Person returns the person with that id or, failing that, that name, whatever
// its case. The error is ErrNotFound, or ErrAmbiguous where the name is not
// enough. Names are sealed, so all are opened to find one.
func (a *Archive) Person(ctx context.Context, idOrName string) (house.Person, error) {
	named, err := a.personNamed(ctx, a.read, idOrName)
	if err != nil {
		return house.Person{}, err
	}
	if i := slices.IndexFunc(named, func(p house.Person) bool { return p.ID == idOrName }); i >= 0 {
		return named[i], nil
	}
	switch len(named) {
	case 0:
		return house.Person{}, fmt.Errorf("person %q: %w", idOrName, house.ErrNotFound)
	case 1:
		return named[0], nil
	}
	return house.Person{}, fmt.Errorf("%q: %w", idOrName, house.ErrAmbiguous)
}

// personNamed returns who has that id or that name, whatever its case.
func (a *Archive) personNamed(ctx context.Context, q querier, idOrName string) ([]house.Person, error) {
	persons, err := a.personsIn(ctx, q)
	return slices.DeleteFunc(persons, func(p house.Person) bool {
		return p.ID != idOrName && !SameName(p.Name, idOrName)
	}), err
}

// SameName reports whether two names are one to people: whatever their case, and
// however letters with accents are written (Unicode's NFC, UAX #15).
func SameName(a, b string) bool { return strings.EqualFold(norm.NFC.String(a), norm.NFC.String(b)) }

// AddReference enrols a descriptor. The error is ErrNoConsent if the person's
// consent is not there, and ErrExists if the picture, or this very descriptor,
// was enrolled before.
func (a *Archive) AddReference(ctx context.Context, r house.Reference) error {
	return a.update(ctx, func(tx *sql.Tx) error { return a.addReference(ctx, tx, r) })
}

func (a *Archive) addReference(ctx context.Context, tx *sql.Tx, r house.Reference) error {
	var consents int
	err := tx.QueryRowContext(ctx, `SELECT count(*) FROM consents WHERE person = ? AND withdrawn_at IS NULL`,
		r.Person).Scan(&consents)
	if err != nil {
		return fmt.Errorf("looking up consents: %w", err)
	}
	if consents == 0 {
		return house.ErrNoConsent
	}
	known, err := a.references(ctx, tx,
		`SELECT id, person, descriptor, face_width, coalesce(quality, 0) FROM gallery WHERE person = ?`, r.Person)
	if err != nil {
		return err
	}
	if slices.ContainsFunc(known, func(k house.Reference) bool { return k.Descriptor == r.Descriptor }) {
		return fmt.Errorf("this face: %w", house.ErrExists)
	}
	mac := a.seals.Index(string(r.SourceSHA256[:]))
	var twice bool
	if err := tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM gallery WHERE person = ? AND source_mac = ?)`,
		r.Person, mac).Scan(&twice); err != nil {
		return fmt.Errorf("adding a reference: %w", err)
	}
	if twice {
		return fmt.Errorf("this picture: %w", house.ErrExists)
	}
	id := newID()
	sealed, slot, err := a.sealKeyed(ctx, tx, encodeDescriptor(r.Descriptor), "gallery.descriptor", id)
	if err == nil {
		_, err = tx.ExecContext(ctx, `INSERT INTO gallery (id, person, descriptor, slot, face_width, quality, source_mac,
			added_at) VALUES (?, ?, ?, ?, ?, nullif(?, 0), ?, ?)`, id, r.Person, sealed, slot, r.FaceWidth, r.Quality, mac,
			micros(a.now()))
	}
	if err != nil {
		return fmt.Errorf("adding a reference: %w", err)
	}
	if err := a.addPortrait(ctx, tx, id, r.Portrait); err != nil {
		return err
	}
	return a.note(ctx, tx, "enrolled", "person "+r.Person)
}

// Gallery returns all references of persons whose consent is in force.
func (a *Archive) Gallery(ctx context.Context) ([]house.Reference, error) {
	return a.references(ctx, a.read, `
		SELECT id, person, descriptor, face_width, coalesce(quality, 0) FROM gallery g
		WHERE EXISTS (SELECT 1 FROM consents c WHERE c.person = g.person AND c.withdrawn_at IS NULL)`)
}

// references reads the references that the query picks.
func (a *Archive) references(ctx context.Context, q querier, query string, args ...any) ([]house.Reference, error) {
	rows, err := q.QueryContext(ctx, query, args...)
	refs, err := scanAll(rows, err, func(r *house.Reference) error {
		var id string
		var sealed []byte
		if err := rows.Scan(&id, &r.Person, &sealed, &r.FaceWidth, &r.Quality); err != nil {
			return err
		}
		descriptor, err := a.open(sealed, "gallery.descriptor", id)
		if errors.Is(err, seal.ErrOpen) {
			r.Person = "" // left out below
			return nil
		}
		if err != nil {
			return fmt.Errorf("opening a reference: %w", err)
		}
		r.Descriptor, err = decodeDescriptor(descriptor)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("reading the gallery: %w", err)
	}
	return slices.DeleteFunc(refs, func(r house.Reference) bool { return r.Person == "" }), nil
}

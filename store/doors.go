package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/store/seal"
)

// Doors lists the doors by name.
func (a *Archive) Doors(ctx context.Context) ([]house.Door, error) {
	return a.doorsIn(ctx, a.read)
}

func (a *Archive) doorsIn(ctx context.Context, q querier) ([]house.Door, error) {
	rows, err := q.QueryContext(ctx, `SELECT id, sealed FROM doors`)
	doors, err := scanAll(rows, err, func(d *house.Door) error {
		var id string
		var sealed []byte
		if err := rows.Scan(&id, &sealed); err != nil {
			return err
		}
		err := a.openJSON(d, sealed, "doors.sealed", id)
		if errors.Is(err, seal.ErrOpen) {
			d.Name, err = house.Unreadable, nil // no bell rings there until it is changed
		}
		d.ID = id
		if err != nil {
			return err
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("listing doors: %w", damage(err))
	}
	slices.SortFunc(doors, func(a, b house.Door) int {
		return cmp.Or(strings.Compare(a.Name, b.Name),
			strings.Compare(a.ID, b.ID))
	})
	return doors, nil
}

// SetDoor adds a door, if its ID is empty, or changes one, and returns its id.
// The error is ErrNotFound for a door, or a bell, that is not there.
func (a *Archive) SetDoor(ctx context.Context, d house.Door) (id string, err error) {
	added := d.ID == ""
	if added {
		d.ID = newID()
	}
	err = a.update(ctx, func(tx *sql.Tx) error {
		if err := a.bellMustBe(ctx, tx, d.Bell); err != nil {
			return err
		}
		return a.setSealed(ctx, tx, added, "doors", "door", d.ID, d, "", "")
	})
	if err != nil {
		return "", fmt.Errorf("keeping a door: %w", spaceError(err))
	}
	a.signal()
	return d.ID, nil
}

// RemoveDoor removes a door with the rules for it. The error is ErrNotFound.
func (a *Archive) RemoveDoor(ctx context.Context, id string) error {
	return a.removeRow(ctx, "doors", "door", id)
}

// DoorRules lists all rules, those of a person together.
func (a *Archive) DoorRules(ctx context.Context) ([]house.DoorRule, error) {
	rows, err := a.read.QueryContext(ctx, `SELECT id, person, door, sealed FROM door_rules ORDER BY person, door, id`)
	rules, err := scanAll(rows, err, func(r *house.DoorRule) error {
		var id, person, door string
		var sealed []byte
		if err := rows.Scan(&id, &person, &door, &sealed); err != nil {
			return err
		}
		err := a.openJSON(r, sealed, "door_rules.sealed", id)
		if errors.Is(err, seal.ErrOpen) {
			*r, err = neverRule, nil
		}
		if err != nil {
			return err
		}
		r.ID, r.Person, r.Door = id, person, door
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("listing rules of doors: %w", damage(err))
	}
	return rules, nil
}

// SetDoorRule adds a rule, if its ID is empty, or changes one, and returns its
// id. It takes a rule as it is: package policy checks rules. The error is
// ErrNotFound for a rule, person or door that is not there.
func (a *Archive) SetDoorRule(ctx context.Context, r house.DoorRule) (id string, err error) {
	added := r.ID == ""
	if added {
		r.ID = newID()
	}
	err = a.update(ctx, func(tx *sql.Tx) error {
		if err := a.mustBe(ctx, tx, "doors", "door", r.Door); err != nil {
			return err
		}
		var there bool
		err := tx.QueryRowContext(ctx,
			`SELECT EXISTS (SELECT 1 FROM persons WHERE id = ?1 AND id NOT IN (SELECT person FROM erasing))`,
			r.Person).Scan(&there)
		if err != nil {
			return err
		}
		if !there {
			return fmt.Errorf("person %s: %w", r.Person, house.ErrNotFound)
		}
		return a.setSealed(ctx, tx, added, "door_rules", "rule", r.ID, r, r.Person, r.Door)
	})
	if err != nil {
		return "", fmt.Errorf("keeping a rule of a door: %w", spaceError(err))
	}
	a.signal()
	return r.ID, nil
}

// RemoveDoorRule removes a rule. The error is ErrNotFound.
func (a *Archive) RemoveDoorRule(ctx context.Context, id string) error {
	return a.removeRow(ctx, "door_rules", "rule", id)
}

// ParcelRules lists the parcels that are expected, were used for advice, or
// whose time ended less than 31 days ago, by the end of their time.
func (a *Archive) ParcelRules(ctx context.Context) ([]house.ParcelRule, error) {
	rows, err := a.read.QueryContext(ctx,
		`SELECT id, door, sealed, coalesce(used_by, '') FROM parcel_rules ORDER BY ends_at, id`)
	rules, err := scanAll(rows, err, func(r *house.ParcelRule) error {
		var id, door, used string
		var sealed []byte
		if err := rows.Scan(&id, &door, &sealed, &used); err != nil {
			return err
		}
		err := a.openJSON(r, sealed, "parcel_rules.sealed", id)
		if errors.Is(err, seal.ErrOpen) {
			r.Note, err = house.Unreadable, nil // and its time is over
		}
		if err != nil {
			return err
		}
		r.ID, r.Door, r.UsedBy = id, door, used
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("listing parcels: %w", damage(err))
	}
	return rules, nil
}

// AddParcelRule expects a parcel, and returns the rule's id. The error is
// ErrHouseDoor, or ErrNotFound for a door that is not there.
func (a *Archive) AddParcelRule(ctx context.Context, r house.ParcelRule) (id string, err error) {
	r.ID, r.UsedBy = newID(), ""
	err = a.update(ctx, func(tx *sql.Tx) error {
		var sealed []byte
		err := tx.QueryRowContext(ctx, `SELECT sealed FROM doors WHERE id = ?`, r.Door).Scan(&sealed)
		if errors.Is(err, sql.ErrNoRows) {
			return fmt.Errorf("door %s: %w", r.Door, house.ErrNotFound)
		}
		if err != nil {
			return err
		}
		var d house.Door
		if err := passedOver(a.openJSON(&d, sealed, "doors.sealed", r.Door)); err != nil {
			return err
		}
		if !d.Parcel {
			return house.ErrHouseDoor
		}
		if sealed, err = a.sealJSON(r, "parcel_rules.sealed", r.ID); err != nil {
			return err
		}
		// What ended a month ago is of no use any more.
		if _, err := tx.ExecContext(ctx, `DELETE FROM parcel_rules WHERE ends_at < ?`,
			micros(a.now().Add(-adviceKept))); err != nil {
			return err
		}
		return a.changeIn(ctx, tx, "added", "parcel "+r.ID, house.ErrNotFound,
			`INSERT INTO parcel_rules (id, door, sealed, ends_at) VALUES (?, ?, ?, ?)`, r.ID, r.Door, sealed, micros(r.To))
	})
	if err != nil {
		return "", fmt.Errorf("expecting a parcel: %w", spaceError(err))
	}
	a.signal()
	return r.ID, nil
}

// RemoveParcelRule expects a parcel no more. The error is ErrNotFound.
func (a *Archive) RemoveParcelRule(ctx context.Context, id string) error {
	return a.removeRow(ctx, "parcel_rules", "parcel", id)
}

const adviceRulesSetting = "advice"

// AdviceRules returns what the household decided about all advice, or
// [house.DefaultAdviceRules]. Where somebody without the master key decided, all
// advice is paused.
func (a *Archive) AdviceRules(ctx context.Context) (house.AdviceRules, error) {
	var r house.AdviceRules
	found, err := a.setting(ctx, a.read, adviceRulesSetting, &r)
	if errors.Is(err, house.ErrUnvouched) {
		r.Paused = true
		return r, nil
	}
	if err != nil {
		return house.AdviceRules{}, err
	}
	if !found {
		return house.DefaultAdviceRules(), nil
	}
	return r, nil
}

// SetAdviceRules keeps them as they are: package policy checks them. Rules that
// pause all advice dismiss every suggestion that is open.
func (a *Archive) SetAdviceRules(ctx context.Context, r house.AdviceRules) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		if err := a.set(ctx, tx, adviceRulesSetting, r); err != nil {
			return err
		}
		if r.Paused {
			if err := a.dismissAll(ctx, tx); err != nil {
				return err
			}
		}
		return a.note(ctx, tx, "changed", "advice-rules")
	})
	if err != nil {
		return fmt.Errorf("keeping the rules of advice: %w", spaceError(err))
	}
	a.signal()
	return nil
}

// adviceKept is for how long advice, and what it rested on, is kept.
const adviceKept = 31 * 24 * time.Hour

// setSealed adds a row of id and sealed value, or changes it, and notes that.
// Person and door are columns of rules, which have keys of their own; both are empty
// for other tables.
func (a *Archive) setSealed(ctx context.Context, tx *sql.Tx, added bool, table, what, id string, v any, person,
	door string) error {
	if person != "" {
		sealed, slot, err := a.sealKeyedJSON(ctx, tx, v, table+".sealed", id)
		if err != nil {
			return err
		}
		if added {
			return a.changeIn(ctx, tx, "added", what+" "+id, house.ErrNotFound,
				`INSERT INTO `+table+` (id, person, door, sealed, slot) VALUES (?, ?, ?, ?, ?)`, id, person, door, sealed, slot)
		}
		return a.changeIn(ctx, tx, "changed", what+" "+id, house.ErrNotFound, `UPDATE `+table+`
			SET person = ?, door = ?, sealed = ?, slot = ? WHERE id = ?`, person, door, sealed, slot, id)
	}
	sealed, err := a.sealJSON(v, table+".sealed", id)
	if err != nil {
		return err
	}
	if added {
		return a.changeIn(ctx, tx, "added", what+" "+id, house.ErrNotFound, `INSERT INTO `+table+` (id, sealed)
			VALUES (?, ?)`, id, sealed)
	}
	return a.changeIn(ctx, tx, "changed", what+" "+id, house.ErrNotFound, `UPDATE `+table+` SET sealed = ? WHERE id = ?`,
		sealed, id)
}

func (a *Archive) mustBe(ctx context.Context, q querier, table, what, id string) error {
	var there bool
	if err := q.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM `+table+` WHERE id = ?)`,
		id).Scan(&there); err != nil {
		return err
	}
	if !there {
		return fmt.Errorf("%s %s: %w", what, id, house.ErrNotFound)
	}
	return nil
}

// removeRow removes a row by its id and notes that.
func (a *Archive) removeRow(ctx context.Context, table, what, id string) error {
	err := a.update(ctx, func(tx *sql.Tx) error { return a.removeRowIn(ctx, tx, table, what, id) })
	if err != nil {
		return fmt.Errorf("removing %s %s: %w", what, id, spaceError(err))
	}
	a.signal()
	return nil
}

func (a *Archive) removeRowIn(ctx context.Context, tx *sql.Tx, table, what, id string) error {
	return a.changeIn(ctx, tx, "removed", what+" "+id, house.ErrNotFound, `DELETE FROM `+table+` WHERE id = ?`, id)
}

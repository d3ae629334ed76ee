package store

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"

	"lintel/store/internal/keyfile"
)

// A Defect is something by which a copy of an archive may not take the place of an older
// one. What it is with is one of the words of a [Problem].
type Defect struct {
	What    string `json:"what"`
	Subject string `json:"subject"` // a table with a row's id, or archive.db
	Says    string `json:"says"`    // what SQLite or package seal says of it
}

// vetted is how many defects are told, and how many values of each column are opened: all
// where there are no more, else some from a hundred places of the table and the newest.
const (
	vettedDefects = 20
	vettedPlaces  = 100
	vettedAtOnce  = 10
)

// Vet looks whether the copy is good enough to take an older one's place: SQLite's own
// integrity check and that of references, every key that a row names, and samples of all
// sealed values. It returns what is wrong with it.
func (s *Snapshot) Vet(ctx context.Context) (defects []Defect, err error) {
	if defects, err = s.vetStructure(ctx); err != nil || len(defects) > 0 {
		return defects, err // nothing can be asked of a database that is no database
	}
	v := vetting{copy: s.copy, random: rand.New(rand.NewPCG(uint64(s.copy.now().UnixMicro()), 0))}
	for _, check := range []func(context.Context) error{v.knowErased, v.keys, v.sealed} {
		if err := check(ctx); err != nil {
			return nil, fmt.Errorf("vetting the database's copy: %w", err)
		}
	}
	return v.defects, nil
}

func (s *Snapshot) vetStructure(ctx context.Context) (defects []Defect, err error) {
	for _, query := range []string{
		`SELECT integrity_check FROM pragma_integrity_check WHERE integrity_check <> 'ok'`,
		`SELECT "table" || ' ' || coalesce(rowid, 0) || ': no row in ' || parent FROM pragma_foreign_key_check`,
	} {
		said, err := texts(s.copy.read.QueryContext(ctx, query+` LIMIT ?`, vettedDefects))
		if err = damage(err); errors.Is(err, ErrDamaged) {
			said = append(said, err.Error())
		} else if err != nil {
			return nil, fmt.Errorf("checking the database's copy: %w", err)
		}
		for _, text := range said {
			defects = append(defects, Defect{WithDatabase, "archive.db", strings.TrimSpace(text)})
		}
		if len(defects) > 0 {
			break
		}
	}
	return defects, nil
}

// KnowsErasures reports whether the tables of what was erased are whole: by a damaged one
// nothing is to be removed.
func (s *Snapshot) KnowsErasures(ctx context.Context) bool {
	for _, table := range []string{"erasures", "erased_slots"} {
		said, err := texts(s.copy.read.QueryContext(ctx, `SELECT integrity_check FROM pragma_integrity_check(?)`, table))
		if err != nil || len(said) != 1 || said[0] != "ok" {
			return false
		}
	}
	return true
}

// A vetting looks at what a sound structure holds.
type vetting struct {
	copy    *Archive
	random  *rand.Rand
	erased  map[keyfile.Number]bool // slots that are rightly empty
	defects []Defect
}

func (v *vetting) found(what, subject string, err error) {
	if len(v.defects) < vettedDefects {
		v.defects = append(v.defects, Defect{what, subject, err.Error()})
	}
}

// knowErased learns which slots are empty since somebody erased what they opened: an archive
// that was restored may have rows left that name them.
func (v *vetting) knowErased(ctx context.Context) error {
	all, err := v.copy.ErasedSlots(ctx)
	v.erased = make(map[keyfile.Number]bool, len(all))
	for _, n := range all {
		v.erased[n] = true
	}
	return err
}

// keys tries every key that a row names.
func (v *vetting) keys(ctx context.Context) error {
	rows, err := v.copy.read.QueryContext(ctx, v.copy.takenSlots())
	slots, err := scanAll(rows, err, func(n *keyfile.Number) error { return rows.Scan(n) })
	if err != nil {
		return err
	}
	for _, n := range slots {
		if _, err := v.copy.keyIn(int64(n)); err != nil && !v.erased[n] {
			whose, err2 := v.copy.whoseSlot(ctx, n)
			if err2 != nil {
				return err2
			}
			v.found(WithKey, whose, err)
		}
	}
	return nil
}

// whoseSlot names the row that has a slot.
func (a *Archive) whoseSlot(ctx context.Context, n keyfile.Number) (row string, err error) {
	query := `SELECT 'stills ' || id FROM main.stills WHERE slot = ?1`
	for _, t := range keyedTables {
		query += ` UNION ALL SELECT '` + t.table + ` ' || ` + t.id + ` FROM main.` + t.table + ` WHERE slot = ?1`
	}
	rows, err := texts(a.read.QueryContext(ctx, query+` LIMIT 1`, n))
	if err != nil || len(rows) == 0 {
		return "", err
	}
	return rows[0], nil
}

// sealed opens samples of all sealed values.
func (v *vetting) sealed(ctx context.Context) error {
	for _, c := range sealedColumns {
		var first, last int64
		err := v.copy.read.QueryRowContext(ctx, `SELECT coalesce(min(rowid), 0), coalesce(max(rowid), -1) FROM main.`+
			c.table).Scan(&first, &last)
		if err != nil {
			return err
		}
		after, atOnce := []int64{first - 1}, vettedPlaces*vettedAtOnce
		if last-first >= int64(atOnce) {
			after, atOnce = []int64{last - vettedAtOnce}, vettedAtOnce
			for range vettedPlaces {
				after = append(after, first-1+v.random.Int64N(last-first))
			}
		}
		for _, row := range after {
			if err := v.open(ctx, c.table, c.column, c.id, row, atOnce); err != nil {
				return err
			}
		}
	}
	return nil
}

// open opens some values of a column, those of the rows after one.
func (v *vetting) open(ctx context.Context, table, column, id string, after int64, n int) error {
	type value struct {
		id     string
		sealed []byte
	}
	rows, err := v.copy.read.QueryContext(ctx, fmt.Sprintf(`SELECT %s, %s FROM main.%s
		WHERE rowid > ? AND %[2]s IS NOT NULL ORDER BY rowid LIMIT ?`, id, column, table), after, n)
	values, err := scanAll(rows, err, func(x *value) error { return rows.Scan(&x.id, &x.sealed) })
	if err != nil {
		return err
	}
	for _, x := range values {
		_, err := v.copy.open(x.sealed, table+"."+column, x.id)
		if err != nil && !(len(x.sealed) >= slotPrefix && v.erased[keyfile.Number(binary.BigEndian.Uint64(x.sealed))]) {
			v.found(WithSealed, table+" "+x.id, err)
		}
	}
	return nil
}

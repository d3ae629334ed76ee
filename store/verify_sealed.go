package store

import (
	"context"
	"fmt"
)

// sealedColumns are the columns that hold sealed values, with what each row's
// place is named by. The audit trail's head and the stills' keys are opened
// elsewhere.
var sealedColumns = []sealedColumn{
	{"bells", "name", "id"},
	{"visits", "ring", "id"},
	{"persons", "name", "id"},
	{"consents", "given_by", "id"},
	{"consents", "scope", "id"},
	{"gallery", "descriptor", "id"},
	{"portraits", "picture", "reference"},
	{"faces", "sealed", "id"},
	{"residents", "name", "id"},
	{"tablets", "name", "id"},
	{"sessions", "browser", "id"},
	{"holds", "reason", "visit"},
	{"masks", "polygons", "bell"},
	{"settings", "value", "name"},
	{"doors", "sealed", "id"},
	{"door_rules", "sealed", "id"},
	{"parcel_rules", "sealed", "id"},
	{"sources", "name", "id"},
	{"sources", "state", "id"},
	{"sources", "key", "id"},
	{"reports", "sealed", "id"},
	{"tokens", "label", "id"},
	{"onetime", "secret", "person"},
	{"receivers", "name", "id"},
	{"receivers", "key", "id"},
	{"advice", "sealed", "id"},
	{"trial_rings", "sealed", "id"},
	{"programs", "sealed", "id"},
	{"messages", "sealed", "id"},
	{"heartbeats", "sealed", "id"},
	{"bell_days", "sealed", "id"},
	{"bell_health", "sealed", "bell"},
	{"bell_views", "sealed", "bell"},
}

type sealedColumn struct{ table, column, id string }

// A sealedRow is a row's value of such a column.
type sealedRow struct {
	row    int64
	id     string
	sealed []byte
}

func (v *verification) checkSealed(ctx context.Context) error {
	return v.eachUnopened(ctx, func(c sealedColumn, x sealedRow) error {
		v.found(WithSealed, x.id, false, "its %s in %s does not open any more; a backup may have it", c.column, c.table)
		return nil
	})
}

// eachUnopened calls f with each sealed value that does not open, and counts the others.
func (v *verification) eachUnopened(ctx context.Context, f func(sealedColumn, sealedRow) error) error {
	v.Sealed = 0
	for _, c := range sealedColumns {
		query := fmt.Sprintf(`SELECT rowid, %s, %s FROM main.%s WHERE rowid > ? AND %[2]s IS NOT NULL ORDER BY rowid LIMIT ?`,
			c.id, c.column, c.table)
		for after := int64(-1 << 62); ; {
			rows, err := v.read.QueryContext(ctx, query, after, someRows)
			values, err := scanAll(rows, err, func(x *sealedRow) error { return rows.Scan(&x.row, &x.id, &x.sealed) })
			if err != nil {
				return err
			}
			for _, x := range values {
				if _, err := v.open(x.sealed, c.table+"."+c.column, x.id); err == nil {
					v.Sealed++
				} else if err := f(c, x); err != nil {
					return err
				}
			}
			if len(values) < someRows {
				break
			}
			after = values[len(values)-1].row
		}
	}
	return nil
}

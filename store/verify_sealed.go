package store

import (
	"context"
	"fmt"
)

// sealedColumns are the columns that hold sealed values, with what each row's
// place is named by. The audit trail's head and the stills' keys are opened
// elsewhere.
var sealedColumns = []struct {
	table, column, id string
	keyed             bool // under a key of its own
}{
	{"bells", "name", "id", false},
	{"visits", "ring", "id", false},
	{"persons", "name", "id", false},
	{"consents", "given_by", "id", false},
	{"consents", "scope", "id", false},
	{"gallery", "descriptor", "id", false},
	{"portraits", "picture", "reference", false},
	{"faces", "sealed", "id", true},
	{"residents", "name", "id", false},
	{"tablets", "name", "id", false},
	{"sessions", "browser", "id", false},
	{"holds", "reason", "visit", false},
	{"masks", "polygons", "bell", false},
	{"settings", "value", "name", false},
	{"doors", "sealed", "id", false},
	{"door_rules", "sealed", "id", false},
	{"parcel_rules", "sealed", "id", false},
	{"sources", "name", "id", false},
	{"sources", "state", "id", false},
	{"sources", "key", "id", false},
	{"reports", "sealed", "id", false},
	{"tokens", "label", "id", false},
	{"onetime", "secret", "person", false},
	{"receivers", "name", "id", false},
	{"receivers", "key", "id", false},
	{"advice", "sealed", "id", false},
	{"trial_rings", "sealed", "id", false},
	{"programs", "sealed", "id", false},
	{"messages", "sealed", "id", false},
	{"heartbeats", "sealed", "id", false},
	{"bell_days", "sealed", "id", false},
	{"bell_health", "sealed", "bell", false},
	{"bell_views", "sealed", "bell", false},
}

func (v *verification) checkSealed(ctx context.Context) error {
	for _, c := range sealedColumns {
		type value struct {
			row    int64
			id     string
			sealed []byte
		}
		query := fmt.Sprintf(`SELECT rowid, %s, %s FROM main.%s WHERE rowid > ? AND %[2]s IS NOT NULL ORDER BY rowid LIMIT ?`,
			c.id, c.column, c.table)
		for after := int64(-1 << 62); ; {
			rows, err := v.read.QueryContext(ctx, query, after, someRows)
			values, err := scanAll(rows, err, func(x *value) error { return rows.Scan(&x.row, &x.id, &x.sealed) })
			if err != nil {
				return err
			}
			for _, x := range values {
				open := v.seals.OpenValue
				if c.keyed {
					open = v.openKeyed
				}
				if _, err := open(x.sealed, c.table+"."+c.column, x.id); err != nil {
					v.found(WithSealed, x.id, false, "its %s in %s does not open any more: %v; a backup may have it", c.column,
						c.table, err)
					continue
				}
				v.Sealed++
			}
			if len(values) < someRows {
				break
			}
			after = values[len(values)-1].row
		}
	}
	return nil
}

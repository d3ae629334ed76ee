package store

import (
	"context"
	"fmt"
)

// Names returns what the ids in the audit trail stand for: the names of
// residents, tablets, persons, bells and programs, by the trail's words for
// them, such as "person ID". Whoever is gone has none; a bell that was removed
// has, since its visits stay, and so has a program that was ended.
func (a *Archive) Names(ctx context.Context) (map[string]string, error) {
	names := make(map[string]string)
	for _, of := range []struct{ table, kind string }{
		{"residents", "resident"}, {"tablets", "tablet"}, {"persons", "person"},
	} {
		rows, err := a.read.QueryContext(ctx, `SELECT id, name FROM `+of.table)
		_, err = scanAll(rows, err, func(name *string) error {
			var id string
			var sealed []byte
			if err := rows.Scan(&id, &sealed); err != nil {
				return err
			}
			if err := a.unseal(name, sealed, of.table+".name", id); err != nil {
				return err
			}
			names[of.kind+" "+id] = *name
			return nil
		})
		if err != nil {
			return nil, fmt.Errorf("reading names: %w", err)
		}
	}
	bells, err := a.BellNames(ctx)
	if err != nil {
		return nil, err
	}
	for address, name := range bells {
		names["bell "+a.bellID(address)] = name
	}
	programs, err := a.programs(ctx, `true`)
	if err != nil {
		return nil, fmt.Errorf("reading names: %w", err)
	}
	for _, p := range programs {
		names["program "+p.ID] = p.Name
	}
	return names, nil
}

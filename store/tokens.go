package store

import (
	"cmp"
	"context"
	"crypto/rand"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"golang.org/x/text/unicode/norm"

	"lintel/internal/house"
	"lintel/store/seal"
)

// sealedProgram is what is sealed of a program, bound to its id: whoever can
// write to the database can't widen its scopes.
type sealedProgram struct {
	Name   string       `json:"name"`
	Scopes house.Scopes `json:"scopes"`
}

// AddProgram adds a program, and returns its API token, which is kept only as a
// hash. It ends with the resident behind the context, if one is. The errors are
// ErrBadScope, and ErrExists for a name that a program has, whatever its case.
func (a *Archive) AddProgram(ctx context.Context, name string, scopes ...house.Scope) (p house.Program,
	token string, err error) {
	p = house.Program{ID: newID(), Name: strings.TrimSpace(name), AddedAt: a.now().UTC().Truncate(time.Microsecond)}
	if p.Scopes, err = house.NewScopes(scopes...); err != nil {
		return house.Program{}, "", err
	}
	sealed, err := a.sealJSON(sealedProgram{p.Name, p.Scopes}, "programs.sealed", p.ID)
	if err != nil {
		return house.Program{}, "", fmt.Errorf("adding a program: %w", err)
	}
	token = rand.Text()
	err = a.change(ctx, "added", "program "+p.ID, fmt.Errorf("a program of this name is %w", house.ErrExists), `
		INSERT INTO programs (id, name_mac, sealed, token_hash, added_at, made_by)
			VALUES (?, ?, ?, ?, ?, (SELECT id FROM residents WHERE 'resident ' || id = ?))
			ON CONFLICT (name_mac) WHERE ended_at IS NULL DO NOTHING`,
		p.ID, a.seals.Index("program\x00"+strings.ToLower(norm.NFC.String(p.Name))), sealed, hashOf(token),
		micros(p.AddedAt), house.Actor(ctx))
	if err != nil {
		return house.Program{}, "", fmt.Errorf("adding a program: %w", err)
	}
	return p, token, nil
}

// EndProgram makes a program's token worthless from now on. The error is
// ErrNotFound.
func (a *Archive) EndProgram(ctx context.Context, id string) error {
	err := a.change(ctx, "removed", "program "+id, house.ErrNotFound,
		`UPDATE programs SET token_hash = NULL, ended_at = ? WHERE id = ? AND ended_at IS NULL`, micros(a.now()), id)
	if err != nil {
		return fmt.Errorf("ending program %s: %w", id, err)
	}
	a.signal() // whoever hears live events by it hears no more
	return nil
}

// Programs lists the programs by name, without those that were ended.
func (a *Archive) Programs(ctx context.Context) ([]house.Program, error) {
	all, err := a.programs(ctx, `ended_at IS NULL`)
	if err != nil {
		return nil, fmt.Errorf("listing programs: %w", err)
	}
	slices.SortFunc(all, func(a, b house.Program) int {
		return cmp.Or(strings.Compare(a.Name, b.Name), strings.Compare(a.ID, b.ID))
	})
	return all, nil
}

// ProgramOf returns the program that has the token, or ErrNotFound.
func (a *Archive) ProgramOf(ctx context.Context, token string) (house.Program, error) {
	found, err := a.programs(ctx, `token_hash = ?`, hashOf(token))
	if err == nil && (len(found) == 0 || found[0].Scopes == "") { // or what it may does not open
		err = house.ErrNotFound
	}
	if err != nil {
		return house.Program{}, fmt.Errorf("looking up a program: %w", err)
	}
	return found[0], nil
}

// usedEvery is how exactly it is known when a program asked last: to note each
// time would make every reading a writing.
const usedEvery = time.Minute

// UseProgram notes that a program asked, once a minute.
func (a *Archive) UseProgram(ctx context.Context, p house.Program) error {
	now := a.now()
	if now.Sub(p.UsedAt).Abs() < usedEvery {
		return nil
	}
	if _, err := a.write.ExecContext(ctx, `UPDATE programs SET used_at = ? WHERE id = ?`, micros(now), p.ID); err != nil {
		return fmt.Errorf("noting that a program asked: %w", spaceError(err))
	}
	return nil
}

func (a *Archive) programs(ctx context.Context, condition string, args ...any) ([]house.Program, error) {
	rows, err := a.read.QueryContext(ctx, `
		SELECT id, sealed, added_at, used_at, coalesce(made_by, '') FROM programs WHERE `+condition, args...)
	all, err := scanAll(rows, err, func(p *house.Program) error {
		var sealed []byte
		var added, used sql.NullInt64
		if err := rows.Scan(&p.ID, &sealed, &added, &used, &p.MadeBy); err != nil {
			return err
		}
		var kept sealedProgram
		err := a.openJSON(&kept, sealed, "programs.sealed", p.ID)
		if errors.Is(err, seal.ErrOpen) {
			kept.Name, err = house.Unreadable, nil // and it may nothing
		}
		if err != nil {
			return err
		}
		p.Name, p.Scopes, p.AddedAt, p.UsedAt = kept.Name, kept.Scopes, timeOf(added), timeOf(used)
		return nil
	})
	return all, damage(err)
}

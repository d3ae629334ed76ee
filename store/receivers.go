package store

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/subtle"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"

	"lintel/internal/house"
	"lintel/store/seal"
)

// AddReceiver adds a receiver, and returns it with its key, and with the token
// by which it may listen, which is kept only as a hash. The error is
// ErrNotFound for a door that is not there.
func (a *Archive) AddReceiver(ctx context.Context, door, name string) (r house.Receiver, token string, err error) {
	r = house.Receiver{ID: newID(), Door: door, Name: name, AddedAt: a.now(), Key: make([]byte, 32)}
	rand.Read(r.Key)
	token = rand.Text()
	err = a.change(ctx, "added", "receiver "+r.ID, house.ErrNotFound, `
		INSERT INTO receivers (id, door, name, key, token_hash, added_at) SELECT ?, id, ?, ?, ?, ? FROM doors WHERE id = ?`,
		r.ID, a.seal(name, "receivers.name", r.ID), a.seals.Value(r.Key, "receivers.key", r.ID), hashOf(token),
		micros(r.AddedAt), door)
	if err != nil {
		return house.Receiver{}, "", fmt.Errorf("adding a receiver: %w", err)
	}
	return r, token, nil
}

// CheckReceiver reports whether the token is the receiver's.
func (a *Archive) CheckReceiver(ctx context.Context, id, token string) (bool, error) {
	var hash []byte
	err := a.read.QueryRowContext(ctx, `SELECT token_hash FROM receivers WHERE id = ?`, id).Scan(&hash)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("looking up receiver %s: %w", id, err)
	}
	return subtle.ConstantTimeCompare(hash, hashOf(token)) == 1, nil
}

// RemoveReceiver removes a receiver: nothing is signed for it any more. The
// error is ErrNotFound.
func (a *Archive) RemoveReceiver(ctx context.Context, id string) error {
	return a.removeRow(ctx, "receivers", "receiver", id)
}

// Receivers lists the receivers by name, with their keys.
func (a *Archive) Receivers(ctx context.Context) ([]house.Receiver, error) {
	rows, err := a.read.QueryContext(ctx, `SELECT id, door, name, key, added_at FROM receivers`)
	all, err := scanAll(rows, err, func(r *house.Receiver) error {
		var name, key []byte
		var added sql.NullInt64
		if err := rows.Scan(&r.ID, &r.Door, &name, &key, &added); err != nil {
			return err
		}
		r.AddedAt = timeOf(added)
		r.Key, err = a.open(key, "receivers.key", r.ID)
		if errors.Is(err, seal.ErrOpen) {
			r.Key, err = make([]byte, seal.KeySize), nil // zeros, with which nobody signs
		}
		if err != nil {
			return err
		}
		return a.unseal(&r.Name, name, "receivers.name", r.ID)
	})
	if err != nil {
		return nil, fmt.Errorf("listing receivers: %w", damage(err))
	}
	slices.SortFunc(all, func(a, b house.Receiver) int {
		return cmp.Or(strings.Compare(a.Name, b.Name), strings.Compare(a.ID, b.ID))
	})
	return all, nil
}

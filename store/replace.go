package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"os"

	"lintel/internal/house"
	"lintel/store/seal"
)

// errChanged says that a still is no longer what it was when its replacement
// was made.
var errChanged = errors.New("the still has changed meanwhile")

// A replacement takes a still's place.
type replacement struct {
	old           house.Still
	jpeg          []byte
	width, height int
	masked        int64
	faces         []house.Face // that stay, in pixels of the new still
}

// replaceStills puts new pictures in the place of a visit's stills, and moves
// the visit to a stage. Each gets a file and a data key of its own; the old
// file and its key go. The error is errChanged if a still was added, replaced or went
// since it was read, or if the visit is to move on and is held by now; then
// nothing is changed.
func (a *Archive) replaceStills(ctx context.Context, v house.Visit, stage house.Stage, news []replacement) (err error) {
	ctx = context.WithoutCancel(ctx)
	files := make([]string, len(news))
	defer func() {
		for _, file := range files {
			if err != nil && file != "" {
				os.Remove(a.incomingPath(file))
			}
		}
	}()
	sealed, keys := make([][]byte, len(news)), make([]seal.Key, len(news))
	defer clear(keys)
	for i, n := range news {
		files[i], keys[i] = newID(), seal.NewKey()
		l, err := a.labelOfNext(ctx, v, n)
		if err == nil {
			sealed[i], err = a.sealStill(keys[i], l, n.jpeg)
		}
		if err != nil {
			return err
		}
		if err = a.writeIncoming(files[i], sealed[i]); err != nil {
			return fmt.Errorf("writing a still: %w", spaceError(err))
		}
	}
	err = a.update(ctx, func(tx *sql.Tx) error {
		if held, err := a.isHeld(ctx, tx, v.ID); err != nil || held && stage != v.Stage {
			return errors.Join(err, errChanged)
		}
		// A frame that came while the others were made smaller has to be made smaller, too.
		var stills int
		if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM stills WHERE visit = ?`, v.ID).Scan(&stills); err != nil ||
			stills != len(v.Stills) {
			return errors.Join(err, errChanged)
		}
		for i, n := range news {
			if err := a.replaceStill(ctx, tx, n, files[i], sealed[i], keys[i]); err != nil {
				return err
			}
		}
		if _, err := tx.ExecContext(ctx, `UPDATE visits SET stage = ? WHERE id = ?`, stage, v.ID); err != nil {
			return err
		}
		return a.settle(ctx, tx, v.ID)
	})
	if err != nil {
		return fmt.Errorf("replacing stills: %w", spaceError(err))
	}
	for _, file := range files {
		a.shelve(file)
	}
	a.signal()
	return a.finishRemovals(ctx)
}

// labelOfNext is the label of a still that takes another's place.
func (a *Archive) labelOfNext(ctx context.Context, v house.Visit, n replacement) (label, error) {
	l := label{Bell: v.Bell, Ring: v.Ring, Frame: n.old.Frame, Width: n.width, Height: n.height, Damaged: n.old.Damaged,
		Masked: n.masked, ReceivedAt: n.old.ReceivedAt, TakenAt: n.old.TakenAt, ImportedAt: v.ImportedAt,
		Doubted: v.ClockDoubted}
	err := a.read.QueryRowContext(ctx, `SELECT sent_mac FROM stills WHERE id = ?`, n.old.ID).Scan(&l.Sent)
	if errors.Is(err, sql.ErrNoRows) {
		err = errChanged
	}
	if err != nil {
		return l, fmt.Errorf("labelling a still: %w", err)
	}
	return l, nil
}

func (a *Archive) replaceStill(ctx context.Context, tx *sql.Tx, n replacement, file string, sealed []byte,
	key seal.Key) error {
	if n.masked > n.old.Masked { // by somebody's will: no backup shall bring it back
		if err := a.eraseFile(ctx, tx, n.old); err != nil {
			return err
		}
	}
	slot, err := a.putKey(ctx, tx, key)
	if err != nil {
		return err
	}
	hash := sha256.Sum256(sealed)
	res, err := tx.ExecContext(ctx, `
		UPDATE stills SET file = ?, slot = ?, sha256 = ?, size = ?, width = ?, height = ?, masked = ?
			WHERE id = ? AND file = ? AND state = ?`,
		file, slot, hash[:], len(sealed), n.width, n.height, n.masked, n.old.ID, n.old.File, n.old.State)
	if err != nil {
		return err
	}
	if changed, err := res.RowsAffected(); err != nil || changed == 0 {
		return errors.Join(err, errChanged)
	}
	if _, err := tx.ExecContext(ctx, `INSERT INTO removals (file) VALUES (?)`, n.old.File); err != nil {
		return err
	}
	kept := make([]string, len(n.faces))
	for i, f := range n.faces {
		kept[i] = f.ID
		if err := a.rewriteFace(ctx, tx, f); err != nil {
			return err
		}
	}
	const covered = `still = ? AND id NOT IN (SELECT value FROM json_each(?))`
	if err := eraseSlots(ctx, tx, "faces", covered, n.old.ID, jsonList(kept)); err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `DELETE FROM faces WHERE `+covered, n.old.ID, jsonList(kept))
	return err
}

// eraseFile remembers that somebody had a still's file replaced to show less.
func (a *Archive) eraseFile(ctx context.Context, tx *sql.Tx, old house.Still) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO erasures (what, id, at) VALUES ('still', ?, ?) ON CONFLICT DO NOTHING`,
		old.File, micros(a.now()))
	if err != nil {
		return err
	}
	return eraseSlots(ctx, tx, "stills", `id = ? AND file = ?`, old.ID, old.File)
}

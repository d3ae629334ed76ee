package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
)

// A filed still is what its row says of its file.
type filed struct {
	row         int64
	id, visit   string
	frame, size int
	file        string // "" if it is gone
	lost        bool
	slot        int64
	hash        []byte
}

const filedColumns = `rowid, id, visit, frame, size, coalesce(file, ''), lost, coalesce(slot, 0), sha256`

func (f *filed) scan(row interface{ Scan(...any) error }) error {
	return row.Scan(&f.row, &f.id, &f.visit, &f.frame, &f.size, &f.file, &f.lost, &f.slot, &f.hash)
}

func (f *filed) same(g filed) bool {
	return f.file == g.file && f.size == g.size && bytes.Equal(f.hash, g.hash) && f.slot == g.slot
}

// checkStills looks at every still's file as its row has it.
func (v *verification) checkStills(ctx context.Context) error {
	var total int
	if err := v.read.QueryRowContext(ctx, `SELECT count(*) FROM stills`).Scan(&total); err != nil {
		return err
	}
	done := 0
	for after := int64(-1 << 62); ; {
		rows, err := v.read.QueryContext(ctx, `SELECT `+filedColumns+` FROM stills WHERE rowid > ? ORDER BY rowid LIMIT ?`,
			after, someRows)
		stills, err := scanAll(rows, err, func(f *filed) error { return f.scan(rows) })
		if err != nil || len(stills) == 0 {
			return err
		}
		for _, f := range stills {
			if err := v.checkStill(ctx, f); err != nil {
				return err
			}
			if done++; v.progress != nil {
				v.progress(done, max(done, total)) // some may have come in since
			}
		}
		after = stills[len(stills)-1].row
	}
}

// checkStill looks at a still until its row says the same before and after.
func (v *verification) checkStill(ctx context.Context, f filed) error {
	for {
		if f.file == "" {
			if f.lost {
				v.Lost++
			}
			return ctx.Err()
		}
		data, err := v.openStill(f.file)
		authentic := false
		if err == nil {
			_, wrong := v.openPicture(data, f.slot, f.visit, f.frame)
			hash := sha256.Sum256(data)
			if authentic = wrong == nil; authentic && len(data) == f.size && bytes.Equal(hash[:], f.hash) {
				v.Stills++
				return ctx.Err()
			}
		}
		var now filed
		gone := now.scan(v.read.QueryRowContext(ctx, `SELECT `+filedColumns+` FROM stills WHERE id = ?`, f.id))
		switch {
		case errors.Is(gone, sql.ErrNoRows):
			return nil
		case gone != nil:
			return gone
		case f.same(now):
			return v.wrongStill(ctx, f, data, err, authentic)
		}
		f = now
	}
}

func (v *verification) wrongStill(ctx context.Context, f filed, data []byte, err error, authentic bool) error {
	which := fmt.Sprintf("frame %d of visit %s: ", f.frame, f.visit)
	switch {
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		v.found(WithStill, f.id, false, which+"its file can't be read: %v", err)
	case err != nil:
		err := v.mend(func() error { return v.markLost(ctx, f) })
		v.found(WithStill, f.id, v.mended(err), which+"its file is missing%s%s",
			v.ifMended(err, "; it is marked as lost, and what was found on it stays"), failure(err))
	case !authentic:
		err := v.mend(func() error { return v.markLost(ctx, f) })
		v.found(WithStill, f.id, v.mended(err), which+"its file has been changed and does not open any more%s%s",
			v.ifMended(err, "; the file is removed, the still is marked as lost, and what was found on it stays"),
			failure(err))
	default:
		hash := sha256.Sum256(data)
		err := v.mend(func() error {
			_, err := v.write.ExecContext(ctx, `UPDATE stills SET sha256 = ?, size = ? WHERE id = ? AND file = ?`, hash[:],
				len(data), f.id, f.file)
			return err
		})
		v.found(WithStill, f.id, v.mended(err), which+"its file is authentic, but its row has another size or hash%s",
			failure(err))
	}
	return nil
}

// markLost says of a still that its file is lost, and has what there is of the
// file removed.
func (v *verification) markLost(ctx context.Context, f filed) error {
	err := v.update(ctx, func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, `
			UPDATE stills SET lost = 1, file = NULL, slot = NULL, sha256 = x'', size = 0,
				state = iif(state = 'pending', 'failed', state)
			WHERE id = ? AND file = ?`, f.id, f.file)
		if err != nil {
			return err
		}
		if err := oneRow(res, "still "+f.id); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO removals (file) VALUES (?)`, f.file); err != nil {
			return err
		}
		if err := v.settle(ctx, tx, f.visit); err != nil || !v.intact {
			return err
		}
		return v.note(ctx, tx, "lost", "still "+f.id+" visit "+f.visit)
	})
	if err != nil {
		return err
	}
	v.Lost++
	v.signal()
	return v.finishRemovals(ctx)
}

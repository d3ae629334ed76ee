package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"time"

	"lintel/internal/house"
)

// A TrailEnd names an entry of the audit trail that was its last at some time.
type TrailEnd struct {
	Entry int64  `json:"entry,omitempty"` // its number, 0 for none
	Hash  string `json:"hash,omitempty"`  // in hexadecimal
}

// A TrailCheck is what came of going through the whole audit trail.
type TrailCheck struct {
	At       time.Time      `json:"at"` // zero if nobody did yet
	Entries  int64          `json:"entries"`
	Tampered *TamperedError `json:"tampered,omitempty"`
}

// trailChecked is what the archive keeps of it: as far as Right, every entry was found
// as it was written.
type trailChecked struct {
	Whole TrailCheck `json:"whole"`
	Right TrailEnd   `json:"right"`
}

// ExpectTrail has every check miss an entry that was the last, as is known from
// outside the archive: whoever removes what came since and puts an older head back
// leaves a trail that is right in itself.
func (a *Archive) ExpectTrail(end TrailEnd) { a.expected.Store(&end) }

// TrailHas reports whether the entry is in the trail.
func (a *Archive) TrailHas(ctx context.Context, end TrailEnd) (has bool, err error) {
	if end.Entry == 0 {
		return true, nil
	}
	var hash []byte
	err = a.read.QueryRowContext(ctx, `SELECT hash FROM audit WHERE seq = ?`, end.Entry).Scan(&hash)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("looking for an entry of the audit trail: %w", damage(err))
	}
	return hex.EncodeToString(hash) == end.Hash, nil
}

// trailEnd returns the entry that the trail's head names, none where the head is lost.
func (a *Archive) trailEnd(ctx context.Context, q querier) (end TrailEnd, err error) {
	seq, hash, err := a.auditHead(ctx, q)
	if errors.Is(err, ErrTampered) || err == nil && seq == 0 {
		return end, nil
	}
	return TrailEnd{seq, hex.EncodeToString(hash[:])}, err
}

// CheckTrail goes through the whole audit trail and returns how many entries
// it has. The error is ErrTampered, with the first entry that was changed,
// removed or reordered.
func (a *Archive) CheckTrail(ctx context.Context) (entries int64, err error) {
	end, err := a.checkTrail(ctx, TrailEnd{})
	return end.Entry, err
}

// CheckNewTrail goes through the entries after those that were found right before, and
// returns the first and the last of them. What was done to earlier ones since is found
// by [Archive.CheckWholeTrail].
func (a *Archive) CheckNewTrail(ctx context.Context) (first, last int64, err error) {
	c, err := a.readTrailChecked(ctx, a.read)
	if err != nil {
		return 0, 0, err
	}
	end, err := a.checkTrail(ctx, c.Right)
	return c.Right.Entry + 1, end.Entry, err
}

// CheckWholeTrail is CheckTrail that keeps what came of it, and as of when. A million
// visits have a trail of which that takes seconds.
func (a *Archive) CheckWholeTrail(ctx context.Context) error {
	end, checked := a.checkTrail(ctx, TrailEnd{})
	c := trailChecked{TrailCheck{At: a.now().UTC(), Entries: end.Entry}, end}
	if tampered := new(TamperedError); errors.As(checked, tampered) {
		c.Whole.Tampered, c.Right = tampered, TrailEnd{}
	} else if checked != nil {
		return checked
	}
	sealed, err := a.sealJSON(c, "trail_checked.sealed")
	if err != nil {
		return err
	}
	_, err = a.write.ExecContext(ctx, `INSERT INTO trail_checked (id, sealed) VALUES (1, ?)
		ON CONFLICT (id) DO UPDATE SET sealed = excluded.sealed`, sealed)
	if err != nil {
		return fmt.Errorf("noting that the audit trail was checked: %w", spaceError(err))
	}
	return checked
}

// TrailChecked returns what came of the last CheckWholeTrail.
func (a *Archive) TrailChecked(ctx context.Context) (TrailCheck, error) {
	c, err := a.readTrailChecked(ctx, a.read)
	return c.Whole, err
}

// readTrailChecked returns how far the trail was checked; what does not open counts as
// not at all.
func (a *Archive) readTrailChecked(ctx context.Context, q querier) (c trailChecked, err error) {
	var sealed []byte
	err = q.QueryRowContext(ctx, `SELECT sealed FROM trail_checked`).Scan(&sealed)
	if errors.Is(err, sql.ErrNoRows) {
		return c, nil
	}
	if err != nil {
		return c, fmt.Errorf("reading how far the audit trail was checked: %w", damage(err))
	}
	if a.openJSON(&c, sealed, "trail_checked.sealed") != nil {
		return trailChecked{}, nil
	}
	return c, nil
}

// checkTrail goes through the trail from an entry on that was found right before.
func (a *Archive) checkTrail(ctx context.Context, from TrailEnd) (end TrailEnd, err error) {
	tx, err := a.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return end, fmt.Errorf("checking the audit trail: %w", err)
	}
	defer tx.Rollback()
	last, head, err := a.auditHead(ctx, tx)
	if err != nil {
		return end, err
	}
	end, err = walkTrail(ctx, tx, from)
	switch {
	case err != nil:
		return end, err
	case end.Entry < last:
		return end, TamperedError{How: "end-missing", Entry: end.Entry + 1, Last: last}
	case end.Entry > last || last > 0 && end.Hash != hex.EncodeToString(head[:]):
		return end, TamperedError{How: "end-changed", Entry: end.Entry}
	}
	return end, a.checkExpected(ctx, tx, end)
}

// walkTrail goes through the entries from one on, and returns the last.
func walkTrail(ctx context.Context, tx *sql.Tx, from TrailEnd) (end TrailEnd, err error) {
	rows, err := tx.QueryContext(ctx,
		`SELECT seq, at, actor, action, subject, before, hash FROM audit WHERE seq >= ? OR ? = 0 ORDER BY seq`, from.Entry,
		from.Entry)
	if err != nil {
		return end, fmt.Errorf("checking the audit trail: %w", err)
	}
	defer rows.Close()
	end.Entry = max(0, from.Entry-1)
	var before [32]byte
	for rows.Next() {
		var e house.Entry
		if err := scanEntry(rows, &e); err != nil {
			return end, fmt.Errorf("checking the audit trail: %w", err)
		}
		end.Entry++
		first := e.Seq == from.Entry
		hash := sha256.Sum256([]byte(e.Text()))
		switch {
		case e.Seq != end.Entry:
			return end, TamperedError{How: "entry-missing", Entry: end.Entry}
		case e.Before != before && !first || hash != e.Hash || first && hex.EncodeToString(hash[:]) != from.Hash:
			return end, TamperedError{How: "entry-changed", Entry: e.Seq}
		}
		before = e.Hash
	}
	if err := rows.Err(); err != nil {
		return end, fmt.Errorf("checking the audit trail: %w", err)
	}
	if end.Entry > 0 {
		end.Hash = hex.EncodeToString(before[:])
	}
	return end, nil
}

// checkExpected looks for the entry that is known from outside.
func (a *Archive) checkExpected(ctx context.Context, tx *sql.Tx, end TrailEnd) error {
	want := a.expected.Load()
	switch {
	case want == nil || want.Entry == 0:
		return nil
	case end.Entry < want.Entry:
		return TamperedError{How: "end-missing", Entry: end.Entry + 1, Last: want.Entry}
	}
	var hash []byte
	if err := tx.QueryRowContext(ctx, `SELECT hash FROM audit WHERE seq = ?`, want.Entry).Scan(&hash); err != nil {
		return fmt.Errorf("checking the audit trail: %w", err)
	}
	if hex.EncodeToString(hash) != want.Hash {
		return TamperedError{How: "entry-changed", Entry: want.Entry}
	}
	return nil
}

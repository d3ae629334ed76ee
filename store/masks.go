package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"lintel/internal/house"
	"lintel/store/seal"
)

// Masks returns the outlines that are black on a bell's stills, and their
// revision, which grows with every change; no outlines and 0 where none were
// ever drawn. With the error house.ErrUnvouched come outlines to show: what they
// don't cover is not for anybody to see.
func (a *Archive) Masks(ctx context.Context, bell string) (masks []house.Polygon, revision int64, err error) {
	if masks, revision, err = a.masksIn(ctx, a.read, a.bellID(bell)); err == nil {
		err = a.mustBeUntouched(ctx, "masks") // they may have been removed
	}
	return masks, revision, err
}

func (a *Archive) masksIn(ctx context.Context, q querier,
	bell string) (masks []house.Polygon, revision int64, err error) {
	var sealed []byte
	var right bool
	err = q.QueryRowContext(ctx, `SELECT polygons, revision, `+vouchedFor("masks", "")+` FROM main.masks WHERE bell = ?`,
		bell).Scan(&sealed, &revision, &right)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, 0, nil
	}
	if err != nil {
		return nil, 0, fmt.Errorf("reading masks: %w", err)
	}
	raw, err := a.open(sealed, "masks.polygons", bell)
	if errors.Is(err, seal.ErrOpen) {
		return nil, revision, fmt.Errorf("opening masks: %w", house.ErrUnvouched)
	}
	if err != nil {
		return nil, 0, fmt.Errorf("opening masks: %w", err)
	}
	if err := json.Unmarshal(raw, &masks); err != nil {
		return nil, 0, fmt.Errorf("reading masks: %w", err)
	}
	if !right {
		return masks, revision, fmt.Errorf("reading masks: %w", house.ErrUnvouched)
	}
	return masks, revision, nil
}

// SetMasks keeps the outlines for a bell's stills from now on; those kept
// already are the business of [Archive.MaskEarlier]. The error is ErrBadMask,
// or ErrNotFound without such a bell.
func (a *Archive) SetMasks(ctx context.Context, bell string, masks []house.Polygon) error {
	if err := house.CheckMasks(masks); err != nil {
		return err
	}
	raw, err := json.Marshal(masks)
	if err != nil {
		return fmt.Errorf("keeping masks: %w", err)
	}
	id := a.bellID(bell)
	err = a.update(ctx, func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, `
			INSERT INTO masks (bell, polygons, revision) SELECT id, ?, 1 FROM bells WHERE id = ?
			ON CONFLICT (bell) DO UPDATE SET polygons = excluded.polygons, revision = revision + 1`,
			a.seals.Value(raw, "masks.polygons", id), id)
		if err != nil {
			return err
		}
		if err := oneRow(res, "bell "+bell); err != nil {
			return err
		}
		return a.note(ctx, tx, "changed", a.MasksSubject(bell))
	})
	if err != nil {
		return fmt.Errorf("keeping masks: %w", spaceError(err))
	}
	return nil
}

// MasksSubject is what the audit trail calls the masks of a bell.
func (a *Archive) MasksSubject(bell string) string { return "masks " + a.bellID(bell) }

// A Masker returns a JPEG still with what the masks cover made black.
type Masker func(jpeg []byte, masks []house.Polygon) ([]byte, error)

// A StillError says of which still something failed.
type StillError struct {
	Visit string
	Frame int
	Err   error
}

func (e StillError) Error() string {
	return fmt.Sprintf("frame %d of visit %s: %v", e.Frame, e.Visit, e.Err)
}

func (e StillError) Unwrap() error { return e.Err }

// A StillsError says which stills something failed for; it was done to all
// others.
type StillsError []StillError

func (e StillsError) Error() string {
	const named = 5
	var words []string
	for _, s := range e[:min(len(e), named)] {
		words = append(words, s.Error())
	}
	if len(e) > named {
		words = append(words, fmt.Sprintf("and %d more", len(e)-named))
	}
	return strings.Join(words, "; ")
}

// MaskEarlier makes black, on the stills a bell sent before its masks were
// drawn as they are now, what they cover, and drops faces found there. It
// returns how many stills it changed. What was there can't be brought back. A
// still that can't be read or masked stays as it was and does not keep the
// others: the error is then a StillsError.
func (a *Archive) MaskEarlier(ctx context.Context, bell string, mask Masker) (changed int, err error) {
	id := a.bellID(bell)
	masks, revision, err := a.masksIn(ctx, a.read, id)
	if err != nil || len(masks) == 0 {
		return 0, err
	}
	if err := a.Note(ctx, "masked", "stills "+id); err != nil {
		return 0, err
	}
	var failed StillsError
	for after := ""; ; {
		visit, err := a.nextUnmasked(ctx, id, revision, after)
		switch {
		case errors.Is(err, house.ErrNotFound) && len(failed) > 0:
			return changed, failed
		case errors.Is(err, house.ErrNotFound):
			return changed, nil
		case err != nil:
			return changed, err
		}
		n, broken, err := a.maskVisit(ctx, visit, masks, revision, mask)
		if errors.Is(err, errChanged) {
			continue // it is tried again as it is now
		}
		if err != nil && !errors.Is(err, house.ErrNotFound) {
			return changed, fmt.Errorf("masking visit %s: %w", visit, err)
		}
		changed, failed, after = changed+n, append(failed, broken...), visit
	}
}

func (a *Archive) nextUnmasked(ctx context.Context, bell string, revision int64,
	after string) (visit string, err error) {
	err = a.read.QueryRowContext(ctx, `
		SELECT v.id FROM visits v WHERE v.bell = ? AND v.stage < ? AND v.id > ?
			AND EXISTS (SELECT 1 FROM stills s WHERE s.visit = v.id AND s.file IS NOT NULL AND s.masked < ?)
		ORDER BY v.id LIMIT 1`, bell, house.OnlyFindings, after, revision).Scan(&visit)
	if errors.Is(err, sql.ErrNoRows) {
		return "", house.ErrNotFound
	}
	if err != nil {
		return "", fmt.Errorf("looking for stills to mask: %w", err)
	}
	return visit, nil
}

// maskVisit masks the stills of a visit, and returns how many, and those that
// could not be. The error says that nothing was changed.
func (a *Archive) maskVisit(ctx context.Context, id string, masks []house.Polygon, revision int64,
	mask Masker) (changed int, broken StillsError, err error) {
	v, err := a.Visit(ctx, id)
	if err != nil {
		return 0, nil, err
	}
	var news []replacement
	for _, s := range v.Stills {
		if s.File == "" || s.Masked >= revision {
			continue
		}
		data, err := a.ReadStill(ctx, id, s.Frame)
		r := replacement{old: s, width: s.Width, height: s.Height, masked: revision, faces: unmasked(s, s.Faces, masks)}
		if err == nil {
			r.jpeg, err = mask(data, masks)
		}
		switch {
		case err != nil && ctx.Err() != nil:
			return 0, nil, ctx.Err()
		case errors.Is(err, house.ErrNotFound):
			return 0, nil, errChanged // it went meanwhile
		case err != nil:
			broken = append(broken, StillError{id, s.Frame, err})
		default:
			news = append(news, r)
		}
	}
	if len(news) == 0 {
		return 0, broken, nil
	}
	if err := a.replaceStills(ctx, v, v.Stage, news); err != nil {
		return 0, nil, err
	}
	return len(news), broken, nil
}

// unmasked returns the faces whose middle no mask covers.
func unmasked(s house.Still, faces []house.Face, masks []house.Polygon) (seen []house.Face) {
	for _, f := range faces {
		x := float64(f.Box.Min.X+f.Box.Max.X) / 2 / float64(s.Width)
		y := float64(f.Box.Min.Y+f.Box.Max.Y) / 2 / float64(s.Height)
		covered := false
		for _, m := range masks {
			covered = covered || m.Contains(x, y)
		}
		if !covered {
			seen = append(seen, f)
		}
	}
	return seen
}

package store

import (
	"context"
	"fmt"

	"lintel/internal/house"
)

// AdvicePage returns a page of the advice that is kept, newest first, limit at
// most, from the cursor on; next is where the page after it begins, zero after
// the last. As with [Archive.Book], a late page takes no longer than the first.
func (a *Archive) AdvicePage(ctx context.Context, from Cursor, limit int) (page []house.Advice, next Cursor,
	err error) {
	if from == (Cursor{}) {
		from = Cursor{at: 1 << 62}
	}
	page, err = a.adviceIn(ctx, a.read, `WHERE at <= ?1 AND (at, id) < (?1, ?2) ORDER BY at DESC, id DESC LIMIT ?3`,
		from.at, from.id, limit+1)
	if err != nil {
		return nil, Cursor{}, fmt.Errorf("reading advice: %w", err)
	}
	if len(page) > limit {
		page = page[:limit]
		last := page[limit-1]
		next = Cursor{at: last.At.UnixMicro(), id: last.ID}
	}
	return page, next, nil
}

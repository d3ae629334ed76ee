package web

import (
	"cmp"
	"context"
	"errors"
	"slices"

	"lintel/internal/house"
)

// changes is what a live connection reads of the archive.
type changes interface {
	Revision(ctx context.Context) (int64, error)
	LatestVisits(ctx context.Context, limit int) ([]house.Visit, error)
	Visit(ctx context.Context, id string) (house.Visit, error)
	VisitsSince(ctx context.Context, revision int64, limit int) ([]house.Visit, error)
	TombstonesSince(ctx context.Context, revision int64, limit int) ([]house.Tombstone, error)
}

// A screen is what a live connection has told the page Now at its other end.
// Only what that page shows is told, visit by visit: the rules may let
// thousands of older visits go in a minute, and masks change as many. Of those
// others one word goes with the next beat.
type screen struct {
	known  int64           // the revision up to which all was told
	shown  map[string]bool // ids of the visits on the screen; nil before the first look
	seen   int             // how many of them guests see
	others bool            // whether others changed since that was last told
}

// News is what is to be told.
type news struct {
	gone   []string      // ids of visits that are no more
	visits []house.Visit // new on the screen or changed, in the order of their changes
	missed bool          // more went than is told: the page has to begin anew
}

// look returns what changed on the screen, and takes it for told.
func (c *screen) look(ctx context.Context, a changes) (n news, err error) {
	// The revision comes before the visits, so that nothing is taken for told
	// that was committed after they were read.
	horizon, err := a.Revision(ctx)
	if err != nil || c.shown != nil && horizon <= c.known {
		return n, err
	}
	latest, err := a.LatestVisits(ctx, shownVisits)
	if err != nil {
		return n, err
	}
	now := make(map[string]bool, len(latest))
	for _, v := range latest {
		now[v.ID] = true
		if v.Revision > c.known || c.shown != nil && !c.shown[v.ID] {
			n.visits = append(n.visits, v)
			horizon = max(horizon, v.Revision)
		}
	}
	slices.SortFunc(n.visits, func(a, b house.Visit) int { return cmp.Compare(a.Revision, b.Revision) })
	if err := c.lookForGone(ctx, a, now, &n); err != nil {
		return n, err
	}
	if !c.others {
		if c.others, err = c.othersChanged(ctx, a, now, len(n.gone)); err != nil {
			return n, err
		}
	}
	c.known, c.shown = horizon, now
	return n, nil
}

// lookForGone looks for visits of the screen that went. What is on the screen at
// first is not known, so all that went since count then.
func (c *screen) lookForGone(ctx context.Context, a changes, now map[string]bool, n *news) error {
	if c.shown == nil {
		departures, err := a.TombstonesSince(ctx, c.known, catchUp)
		if err != nil {
			return err
		}
		for _, d := range departures {
			if !now[d.Visit] { // else the bell used the ring's id again
				n.gone = append(n.gone, d.Visit)
			}
		}
		n.missed = len(departures) == catchUp
		return nil
	}
	for id := range c.shown {
		if now[id] {
			continue
		}
		if _, err := a.Visit(ctx, id); errors.Is(err, house.ErrNotFound) {
			n.gone = append(n.gone, id)
		} else if err != nil {
			return err
		}
	}
	return nil
}

// othersChanged reports whether visits changed, or went, that were not told of.
func (c *screen) othersChanged(ctx context.Context, a changes, now map[string]bool, gone int) (bool, error) {
	visits, err := a.VisitsSince(ctx, c.known, shownVisits+1)
	if err != nil || slices.ContainsFunc(visits, func(v house.Visit) bool { return !now[v.ID] }) {
		return err == nil, err
	}
	departures, err := a.TombstonesSince(ctx, c.known, gone+1)
	return len(departures) > gone, err
}

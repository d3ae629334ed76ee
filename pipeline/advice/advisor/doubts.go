package advisor

import (
	"context"
	"time"

	"lintel/internal/house"
)

// doubtKeptEach is how often the same doubt is written down again: whoever tries
// secrets all day long shall not keep the disk busy.
const doubtKeptEach = 10 * time.Second

// recall takes up what was doubted before the last start. A doubt of a time to
// come says that the clock was set back since.
func (c *Advisor) recall(ctx context.Context) error {
	if c.recalled {
		return nil
	}
	c.keeping.Lock()
	defer c.keeping.Unlock()
	doubts, err := c.archive.Doubts(ctx)
	if err != nil {
		return err
	}
	now := c.now()
	for _, d := range doubts {
		switch {
		case d.At.After(now):
			c.clock.jumped(now)
		case d.Kind == house.DoubtClock:
			c.clock.jumped(d.At)
		default:
			c.secrets.recall(d)
		}
		c.kept[key{d.Kind, d.Bell}] = d
	}
	c.recalled = true
	return nil
}

// A key is what a doubt is of.
type key struct {
	kind house.DoubtKind
	bell string
}

// keepDoubts writes down what is doubted and was not written down yet.
func (c *Advisor) keepDoubts(ctx context.Context) error {
	c.keeping.Lock()
	defer c.keeping.Unlock()
	for _, d := range c.doubts() {
		if err := c.archive.KeepDoubt(ctx, d); err != nil {
			return err
		}
		c.kept[key{d.Kind, d.Bell}] = d
	}
	return nil
}

// doubts are those to be written down.
func (c *Advisor) doubts() (all []house.Doubt) {
	add := func(d house.Doubt) {
		before := c.kept[key{d.Kind, d.Bell}]
		gone, own := d.At.Sub(before.At), d.Own.Sub(before.Own)
		if !d.At.IsZero() && (gone < 0 || gone >= doubtKeptEach || own >= doubtKeptEach) {
			all = append(all, d)
		}
	}
	add(house.Doubt{Kind: house.DoubtClock, At: c.clock.state().JumpedAt})
	for _, d := range c.secrets.shown() {
		add(d)
	}
	return all
}

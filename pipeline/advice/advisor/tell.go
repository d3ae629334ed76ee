package advisor

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"

	"lintel/internal/house"
	"lintel/pipeline/advice/message"
)

// A telling is what receivers were told of a suggestion.
type telling struct {
	house.Advice        // as it was told
	bell         string // that rang
}

// Listening says that a receiver begins to listen: it is told of every suggestion
// at its door whose time has not run out, and of those that were withdrawn.
func (c *Advisor) Listening(receiver string) {
	c.mu.Lock()
	c.behind[receiver] = true
	c.mu.Unlock()
	c.wake()
}

// tell sends what receivers do not know yet. Each is told once that a suggestion
// was made, if it may leave, and once that it holds no more; whoever was not there
// is told when they begin to listen.
func (c *Advisor) tell(ctx context.Context) error {
	all, err := c.archive.AdviceUntil(ctx, c.now())
	if err != nil || c.publisher == nil || len(all)+len(c.told) == 0 {
		return err
	}
	c.mu.Lock()
	behind := maps.Clone(c.behind)
	clear(c.behind)
	c.mu.Unlock()
	receivers, err := c.archive.Receivers(ctx)
	var news map[string]bool
	if err == nil {
		news, err = c.news(ctx, all)
	}
	if err != nil {
		c.again(behind)
		return err
	}
	var failures []error
	for _, id := range slices.Sorted(maps.Keys(c.told)) {
		t := c.told[id]
		for _, r := range receivers {
			if r.Door == t.Door && (news[id] || behind[r.ID]) {
				failures = append(failures, c.send(ctx, t, r))
			}
		}
	}
	return errors.Join(failures...)
}

// again has those who could not be told be told at the next round.
func (c *Advisor) again(behind map[string]bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	maps.Copy(c.behind, behind)
}

// news brings what was told up to what is to be told, and returns of which
// suggestions it is another. One that is erased is withdrawn by what is
// remembered of it.
func (c *Advisor) news(ctx context.Context, all []house.Advice) (news map[string]bool, err error) {
	news = make(map[string]bool)
	there := make(map[string]bool)
	for _, d := range all {
		there[d.ID] = true
		t, known := c.told[d.ID]
		if !d.Released() || known && t.State == d.State || d.State == house.Used || d.State == house.Expired {
			continue
		}
		if !known {
			visit, err := c.archive.Visit(ctx, d.Visit)
			if errors.Is(err, house.ErrNotFound) {
				continue // whatever was to be said of it
			}
			if err != nil {
				return nil, err
			}
			if d.State == house.Suggested && visit.Pending() {
				continue // until the still that just came is examined
			}
			t = telling{d, visit.Bell}
		}
		t.State, t.EndedAt = d.State, d.EndedAt
		c.told[d.ID], news[d.ID] = t, true
	}
	for id, t := range c.told {
		switch now := c.now(); {
		case !now.Before(t.ExpiresAt):
			delete(c.told, id)
		case !there[id] && t.State == house.Suggested:
			t.State, t.EndedAt = house.Withdrawn, now
			c.told[id], news[id] = t, true
		}
	}
	return news, nil
}

// send tells one receiver of one suggestion; if that fails, again later.
func (c *Advisor) send(ctx context.Context, t telling, r house.Receiver) error {
	text, err := message.Sign(t.Advice, t.bell, r.ID, message.Key(r.Key))
	if errors.Is(err, message.ErrAdvice) && t.State != house.Suggested {
		return nil // it would have ended within the same second
	}
	if err == nil {
		if err = c.publisher.Publish(ctx, r.ID, text); err != nil {
			c.again(map[string]bool{r.ID: true})
		}
	}
	if err != nil {
		return fmt.Errorf("sending to receiver %s: %w", r.ID, err)
	}
	return nil
}

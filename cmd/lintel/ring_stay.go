package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"lintel/pipeline/bell"
)

// longestAsk is how long a bell lets the server hold a question about its display back.
const longestAsk = 50 * time.Second

// A presence is a bell that stays: it says how it is when the server wants to hear it,
// and shows what it is told to.
type presence struct {
	*ringCmd
	g        *globals
	line     wire
	patience patience
	began    time.Time
	nextBeat time.Time
	blind    bool // has no display
}

// stays does so until its time is over.
func (c *ringCmd) stays(g *globals, l wire, p patience) error {
	b := presence{ringCmd: c, g: g, line: l, patience: p, began: p.now()}
	b.nextBeat = b.began
	for end := b.began.Add(c.Stay); g.ctx.Err() == nil && p.now().Before(end); {
		if !p.now().Before(b.nextBeat) {
			if err := b.beat(end); err != nil {
				return err
			}
		}
		rest := min(b.nextBeat.Sub(p.now()), end.Sub(p.now()), longestAsk)
		if rest <= 0 {
			continue
		}
		if b.blind {
			if p.pause(g.ctx, rest) != nil {
				return nil // whoever stops it wants it to end
			}
		} else if err := b.look(end, rest); err != nil {
			return err
		}
	}
	return nil
}

// beat sends a heartbeat.
func (b *presence) beat(end time.Time) error {
	now := b.patience.now()
	says := map[string]any{"firmware": "lintel-ring", "uptime_s": int64(now.Sub(b.began).Seconds())}
	if !now.Before(clockSet) {
		says["clock"] = now.UTC().Format(time.RFC3339)
	}
	beat, err := json.Marshal(says)
	if err != nil {
		return fmt.Errorf("writing a heartbeat: %w", err)
	}
	next := longestWait // where it is refused, or nothing is said
	err = b.patience.insist(b.g.ctx, end, func() error {
		asked, err := b.line.Heartbeat(b.g.ctx, beat)
		if asked > 0 {
			next = asked
		}
		return err
	})
	b.nextBeat = b.patience.now().Add(next)
	return b.endures(err)
}

// look shows what there is to show, once it is something else, and says so.
func (b *presence) look(end time.Time, wait time.Duration) error {
	var page bell.Page
	var changed bool
	err := b.patience.insist(b.g.ctx, end, func() (err error) {
		page, changed, err = b.line.Display(b.g.ctx, wait)
		return err
	})
	if r := (refusal{}); errors.As(err, &r) && r.does == passOver {
		b.blind = true
		tell(b.g.stderr, "ring-blind", "Error", err)
		return nil
	}
	if err != nil || !changed {
		return b.endures(err)
	}
	if err := b.show(page); err != nil || page.Message == "" {
		return err
	}
	return b.endures(b.patience.insist(b.g.ctx, end, func() error { return b.line.Shown(b.g.ctx, page.Message) }))
}

// show prints the display.
func (b *presence) show(page bell.Page) error {
	if b.JSON {
		_, err := fmt.Fprintf(b.g.stdout, "%s\n", page.JSON())
		return err
	}
	edge := "+" + strings.Repeat("-", page.Columns) + "+\n"
	_, err := fmt.Fprintf(b.g.stdout, "%s|%s|\n%s", edge, strings.Join(page.Lines, "|\n|"), edge)
	return err
}

// endures returns the errors that a bell can't live with: not that it is out of reach,
// and not that something that it sent was of no use.
func (b *presence) endures(err error) error {
	if err == nil || b.g.ctx.Err() != nil {
		return nil // whoever stops it wants it to end
	}
	if r := (refusal{}); errors.As(err, &r) && r.does != giveUp {
		tell(b.g.stderr, "ring-passed", "Error", err)
		return nil
	}
	return err
}

package main

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/store"
	"lintel/web/view"
)

type sweepCmd struct {
	DryRun bool `help:"Only say what would go now."`
	Much   bool `help:"Delete even if that is much more than usual."`
	JSON   bool `name:"json" help:"Print JSON."`
}

func (c *sweepCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	if c.DryRun {
		return c.preview(g, a)
	}
	if err := a.Lock(); err != nil && !errors.Is(err, store.ErrInUse) {
		return err // a server may sweep at the same time, but not start in between
	}
	if c.Much {
		if err := a.AllowSweep(g.ctx); err != nil {
			return err
		}
	}
	swept, err := a.Sweep(g.ctx, shrink)
	if waits := (house.WaitingSweep{}); errors.As(err, &waits) {
		return failed(err, "explain-sweep-waits", "Due", waits.Due, "Usual", waits.Usual)
	}
	if err != nil {
		return err
	}
	return g.print(c.JSON, swept, func(w io.Writer) {
		fmt.Fprintln(w, words.Capital(view.Presenter{Words: say}.SweptWords(swept))+".")
	})
}

func (c *sweepCmd) preview(g *globals, a *store.Archive) error {
	rules, err := a.Rules(g.ctx)
	if err != nil {
		return err
	}
	preview, err := a.Preview(g.ctx, rules)
	if err != nil {
		return err
	}
	return g.print(c.JSON, preview, func(w io.Writer) {
		says := view.Presenter{Words: say}.PreviewSentences(preview)
		if len(says) == 0 {
			says = []string{say.Text("preview-nothing")}
		}
		fmt.Fprintln(w, strings.Join(says, "\n"))
	})
}

package main

import (
	"errors"
	"fmt"
	"io"

	"lintel/internal/house"
	"lintel/store"
)

type sweepCmd struct {
	DryRun bool `help:"Only say what would go now."`
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
	swept, err := a.Sweep(g.ctx, shrink)
	if err == nil {
		err = a.Scrub(g.ctx)
	}
	if err != nil {
		return err
	}
	return g.print(c.JSON, swept, func(w io.Writer) {
		fmt.Fprintf(w, "Visits that went: %d. Visits whose stills went and findings stay: %d. Visits whose stills are "+
			"smaller now: %d.\n",
			swept.Visits, swept.Findings, swept.Smaller)
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
		for _, kind := range append([]house.Kind{house.Looking}, house.Kinds...) {
			p := preview[kind]
			fmt.Fprintf(w, "%s: %d visits would go, of %d only the stills, and the stills of %d would be made smaller\n", kind,
				p.Visits, p.Findings, p.Smaller)
		}
	})
}

package main

import (
	"io"

	"lintel/store"
)

type eraseCmd struct {
	Visits []string `arg:"" optional:"" name:"visit" help:"The ids of visits."`
	From   string   `help:"Erase all visits from this date or time (RFC 3339) on, except those held." placeholder:"TIME"`
	Until  string   `help:"Erase all visits before this date or time." placeholder:"TIME"`
	JSON   bool     `name:"json" help:"Print JSON."`
}

func (c *eraseCmd) Run(g *globals) error {
	if (c.From == "") != (c.Until == "") || (c.From == "") == (len(c.Visits) == 0) {
		return misused("erase-what")
	}
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	erased, err := c.erase(g, a)
	if err != nil {
		return err
	}
	return g.print(c.JSON, erased, func(w io.Writer) {
		tell(w, "erased", "Visits", erased.Visits, "Held", erased.Held)
	})
}

func (c *eraseCmd) erase(g *globals, a *store.Archive) (e store.Erased, err error) {
	if c.From != "" {
		rules, err := a.Rules(g.ctx)
		if err != nil {
			return e, err
		}
		from, err := timeOf(c.From, rules.Location())
		if err != nil {
			return e, err
		}
		until, err := timeOf(c.Until, rules.Location())
		if err != nil {
			return e, err
		}
		return a.ErasePeriod(g.ctx, from, until)
	}
	for _, id := range c.Visits {
		if err := a.EraseVisit(g.ctx, id); err != nil {
			return e, failed(err, "erase-broke-off", "Error", explain(err), "Visits", e.Visits)
		}
		e.Visits++
	}
	return e, nil
}

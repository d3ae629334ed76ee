package main

import (
	"errors"
	"fmt"
	"io"
	"time"

	"lintel/store"
)

type verifyCmd struct {
	Repair bool   `help:"Mend what can be mended without inventing anything."`
	Erased string `help:"Prove instead that this visit, person or still (by the name of its file) was erased and has left nothing." placeholder:"ID"`
	JSON   bool   `name:"json" help:"Print JSON."`
}

// errUnsound says that an archive has problems.
var errUnsound = errors.New("the archive is not sound")

func (c *verifyCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	if c.Erased == "" {
		return c.verify(g, a)
	}
	if c.Repair { // an erasure that is not finished is, then
		if _, err := a.Verify(g.ctx, true, nil); err != nil {
			return err
		}
	}
	return c.proveErased(g, a)
}

func (c *verifyCmd) verify(g *globals, a *store.Archive) error {
	var looked *progress
	report, err := a.Verify(g.ctx, c.Repair, func(_, total int) {
		if looked == nil {
			looked = g.newProgress("stills", total)
		}
		looked.step()
	})
	if looked != nil {
		looked.end()
	}
	if err != nil {
		return err
	}
	if err := g.print(c.JSON, report, func(w io.Writer) { printReport(w, report) }); err != nil {
		return err
	}
	switch {
	case report.Left == 0:
		return nil
	case c.Repair:
		return fmt.Errorf("%w: problems that can't be mended here: %d", errUnsound, report.Left)
	}
	return fmt.Errorf("%w: problems: %d; nothing was changed, and `lintel verify --repair` mends what can be mended", errUnsound, report.Left)
}

func printReport(w io.Writer, r store.Report) {
	for _, p := range r.Problems {
		mended := ""
		if p.Mended {
			mended = " (mended)"
		}
		subject := p.Subject
		if subject != "" {
			subject += ": "
		}
		fmt.Fprintf(w, "%s: %s%s%s\n", p.What, subject, p.Words, mended)
	}
	if r.Unlisted > 0 {
		fmt.Fprintf(w, "… and %d more\n", r.Unlisted)
	}
	fmt.Fprintf(w, "Visits: %d. Stills that open and are as they were written: %d; known as lost: %d. Files of stills: %d.\n", r.Visits, r.Stills, r.Lost, r.Files)
	fmt.Fprintf(w, "Sealed values that open: %d. Entries of the audit trail: %d. Pages of the database: %d, with copies of rows in their unused parts: %d.\n",
		r.Sealed, r.Entries, r.Pages, r.Leftovers)
	if r.Left == 0 {
		fmt.Fprintln(w, "The archive is sound.")
	}
}

// proven is what is printed of a proof.
type proven struct {
	store.Proof
	Proven bool   `json:"proven"`
	Reason string `json:"reason"` // why not
}

func (c *verifyCmd) proveErased(g *globals, a *store.Archive) error {
	proof, err := a.VerifyErased(g.ctx, c.Erased)
	if err != nil && !errors.Is(err, store.ErrNotErased) && !errors.Is(err, store.ErrTraces) {
		return err
	}
	p := proven{Proof: proof, Proven: err == nil}
	if err != nil {
		p.Reason = err.Error()
	}
	printed := g.print(c.JSON, p, func(w io.Writer) {
		for _, words := range p.Checked {
			fmt.Fprintln(w, "✓", words)
		}
		if p.Proven {
			fmt.Fprintf(w, "Erased on %s: %s %s, and nothing of it is left.\n", p.At.Local().Format(time.DateTime), p.What, p.ID)
		}
	})
	return errors.Join(err, printed)
}

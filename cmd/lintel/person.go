package main

import (
	"errors"
	"fmt"
	"io"
	"text/tabwriter"
	"time"

	"lintel/internal/house"
	"lintel/store"
)

type personCmd struct {
	Add      personAddCmd      `cmd:"" help:"Add a person, with the consent that enrolment needs."`
	List     personListCmd     `cmd:"" help:"List the persons."`
	Withdraw personWithdrawCmd `cmd:"" help:"${person_withdraw}"`
	Erase    personEraseCmd    `cmd:"" help:"Erase a person: consents, references, and the name in every finding."`
}

// consentFlags say who agreed, when, and to what.
type consentFlags struct {
	ConsentBy string    `help:"Who agreed: the person, or who may agree for them." placeholder:"NAME"`
	ConsentOn time.Time `help:"When, such as 2026-11-25; today if not said." format:"2006-01-02" placeholder:"DATE"`
	ConsentTo string    `help:"To what." default:"${person_consent}" placeholder:"TEXT"`
}

func (f consentFlags) consent() house.Consent {
	c := house.Consent{GivenBy: f.ConsentBy, GivenAt: f.ConsentOn, Scope: f.ConsentTo}
	if c.GivenAt.IsZero() {
		c.GivenAt = time.Now()
	}
	return c
}

type personAddCmd struct {
	Name string `arg:"" help:"The name that tablets show."`
	consentFlags
	JSON bool `name:"json" help:"Print JSON."`
}

func (c *personAddCmd) Run(g *globals) error {
	a, err := g.openArchive(true)
	if err != nil {
		return err
	}
	defer a.Close()
	p, err := a.AddPerson(g.ctx, c.Name)
	if errors.Is(err, house.ErrPersonTwice) {
		return failed(err, "person-twice", "Name", c.Name)
	}
	if err != nil {
		return err
	}
	if c.ConsentBy != "" {
		if err := a.RecordConsent(g.ctx, p.ID, c.consent()); err != nil {
			return failed(err, "person-no-consent-kept", "Name", p.Name, "Error", explain(err))
		}
		if p, err = a.Person(g.ctx, p.ID); err != nil {
			return err
		}
	}
	return g.print(c.JSON, p, func(w io.Writer) {
		fmt.Fprintf(w, "%s  %s\n", p.ID, p.Name)
		if p.Consent == nil {
			tell(w, "person-needs-consent")
		}
	})
}

type personListCmd struct {
	JSON bool `name:"json" help:"Print JSON."`
}

func (c *personListCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	persons, err := a.Persons(g.ctx)
	if err != nil {
		return err
	}
	return g.print(c.JSON, notNil(persons), func(w io.Writer) {
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		for _, p := range persons {
			consent := say.Text("person-consentless")
			if p.Consent != nil {
				consent = say.Text("person-consent", "Name", p.Consent.GivenBy,
					"Date", p.Consent.GivenAt.Local().Format(time.DateOnly))
			}
			tell(t, "person-line", "ID", p.ID, "Name", p.Name, "References", p.References, "Consent", consent)
		}
		t.Flush()
	})
}

type personWithdrawCmd struct {
	Person string `arg:"" help:"The person's id or name."`
	JSON   bool   `name:"json" help:"Print JSON."`
}

func (c *personWithdrawCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	p, err := a.Person(g.ctx, c.Person)
	if err != nil {
		return err
	}
	unnamed, err := a.WithdrawConsent(g.ctx, p.ID)
	if err != nil {
		return err
	}
	return g.print(c.JSON, store.Erased{Unnamed: unnamed}, func(w io.Writer) {
		tell(w, "withdrawn", "ID", p.ID, "References", p.References, "Unnamed", unnamed)
	})
}

type personEraseCmd struct {
	Person string `arg:"" help:"The person's id or name."`
	Visits bool   `help:"Erase the visits that name the person as well, stills and all, except those held."`
	JSON   bool   `name:"json" help:"Print JSON."`
}

func (c *personEraseCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	p, err := a.Person(g.ctx, c.Person)
	if err != nil {
		return err
	}
	erased, err := a.ErasePerson(g.ctx, p.ID, c.Visits)
	if err != nil {
		return err
	}
	return g.print(c.JSON, erased, func(w io.Writer) {
		tell(w, "person-erased", "ID", p.ID, "Visits", erased.Visits, "Unnamed", erased.Unnamed, "Held", erased.Held)
	})
}

package main

import (
	"fmt"
	"io"
	"text/tabwriter"

	"lintel/internal/house"
)

type sourceCmd struct {
	Add    sourceAddCmd    `cmd:"" help:"Add a phone or a reader and print its token, which is shown only now."`
	List   sourceListCmd   `cmd:"" help:"List the phones and readers."`
	Remove sourceRemoveCmd `cmd:"" help:"Make the token of a phone or a reader worthless."`
}

type sourceAddCmd struct {
	Kind   house.SourceKind `arg:"" enum:"phone,reader" help:"${source_kind}"`
	Name   string           `arg:"" help:"What screens call it, 1 to 60 characters."`
	Person string           `help:"${source_person}" placeholder:"PERSON"`
	JSON   bool             `name:"json" help:"Print JSON."`
}

func (c *sourceAddCmd) Run(g *globals) error {
	name, err := nameOf(c.Name)
	if err != nil {
		return err
	}
	if c.Kind == house.Phone && c.Person == "" {
		return misused("source-person")
	}
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	var person string
	if c.Person != "" {
		p, err := a.Person(g.ctx, c.Person)
		if err != nil {
			return err
		}
		person = p.ID
	}
	id, token, err := a.AddSource(g.ctx, c.Kind, person, name)
	if err != nil {
		return err
	}
	added := struct {
		ID     string           `json:"id"`
		Kind   house.SourceKind `json:"kind"`
		Person string           `json:"person,omitempty"`
		Name   string           `json:"name"`
		Token  string           `json:"token"`
	}{id, c.Kind, person, name, token}
	return g.print(c.JSON, added, func(w io.Writer) { fmt.Fprintln(w, token) })
}

type sourceListCmd struct {
	JSON bool `name:"json" help:"Print JSON."`
}

func (c *sourceListCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	sources, err := a.Sources(g.ctx)
	if err != nil {
		return err
	}
	names, err := a.Names(g.ctx)
	if err != nil {
		return err
	}
	return g.print(c.JSON, notNil(sources), func(w io.Writer) {
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		for _, s := range sources {
			what := say.Text("source-" + string(s.Kind))
			if s.Person != "" {
				what = say.Text("source-of-"+string(s.Kind), "Name", names["person "+s.Person])
			}
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", s.ID, what, s.Name, heard(s.HeardAt))
		}
		t.Flush()
	})
}

type sourceRemoveCmd struct {
	ID string `arg:"" help:"The id, as the list has it."`
}

func (c *sourceRemoveCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	return a.RemoveSource(g.ctx, c.ID)
}

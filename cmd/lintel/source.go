package main

import (
	"encoding/hex"
	"fmt"
	"io"
	"text/tabwriter"

	"lintel/internal/house"
)

type sourceCmd struct {
	Add    sourceAddCmd    `cmd:"" help:"${source_add}"`
	List   sourceListCmd   `cmd:"" help:"List the phones and readers."`
	Key    sourceKeyCmd    `cmd:"" help:"Give a reader a new key to sign with and print it, which is shown only now."`
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
		Key    string           `json:"key,omitempty"`
	}{id, c.Kind, person, name, token, ""}
	if c.Kind == house.Reader {
		key, err := a.GiveKey(g.ctx, id)
		if err != nil {
			return err
		}
		added.Key = hex.EncodeToString(key)
	}
	return g.print(c.JSON, added, func(w io.Writer) {
		fmt.Fprintln(w, token)
		if added.Key != "" {
			fmt.Fprintln(w, added.Key)
		}
	})
}

type sourceKeyCmd struct {
	ID   string `arg:"" help:"The id, as the list has it."`
	JSON bool   `name:"json" help:"Print JSON."`
}

func (c *sourceKeyCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	key, err := a.GiveKey(g.ctx, c.ID)
	if err != nil {
		return err
	}
	given := struct {
		Key string `json:"key"`
	}{hex.EncodeToString(key)}
	return g.print(c.JSON, given, func(w io.Writer) { fmt.Fprintln(w, given.Key) })
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

package main

import (
	"fmt"
	"io"
	"text/tabwriter"
	"time"
)

type bellCmd struct {
	Add    bellAddCmd    `cmd:"" help:"Add a bell and print its secret, which is shown only now."`
	List   bellListCmd   `cmd:"" help:"List the bells."`
	Remove bellRemoveCmd `cmd:"" help:"Make a bell's secret worthless; its visits stay."`
}

type bellAddCmd struct {
	Name string `arg:"" help:"1 to 64 characters of A-Z a-z 0-9 . _ -"`
	JSON bool   `name:"json" help:"Print JSON."`
}

func (c *bellAddCmd) Run(g *globals) error {
	a, err := g.openArchive(true)
	if err != nil {
		return err
	}
	defer a.Close()
	secret, err := a.AddBell(g.ctx, c.Name)
	if err != nil {
		return err
	}
	return g.print(c.JSON, map[string]string{"name": c.Name, "secret": secret}, func(w io.Writer) { fmt.Fprintln(w, secret) })
}

type bellListCmd struct {
	JSON bool `name:"json" help:"Print JSON."`
}

func (c *bellListCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	bells, err := a.Bells(g.ctx)
	if err != nil {
		return err
	}
	return g.print(c.JSON, notNil(bells), func(w io.Writer) {
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		for _, b := range bells {
			heard := "never heard"
			if !b.HeardAt.IsZero() {
				heard = "last heard " + b.HeardAt.Local().Format(time.DateTime)
			}
			fmt.Fprintf(t, "%s\t%s\n", b.Name, heard)
		}
		t.Flush()
	})
}

type bellRemoveCmd struct {
	Name string `arg:"" help:"The bell's name."`
}

func (c *bellRemoveCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	return a.RemoveBell(g.ctx, c.Name)
}

// notNil makes JSON print an empty list as [].
func notNil[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

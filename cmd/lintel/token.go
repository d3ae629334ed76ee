package main

import (
	"fmt"
	"io"
	"text/tabwriter"
	"time"

	"lintel/internal/house"
	"lintel/store"
)

type tokenCmd struct {
	Add    tokenAddCmd    `cmd:"" help:"Give a program an API token and print it, which is shown only now."`
	List   tokenListCmd   `cmd:"" help:"List the programs that have one."`
	Remove tokenRemoveCmd `cmd:"" help:"Make a program's token worthless."`
}

type tokenAddCmd struct {
	Name  string        `arg:"" help:"What Upkeep and the audit trail call the program, 1 to 60 characters."`
	Scope []house.Scope `required:"" help:"${token_scope}" placeholder:"SCOPE"`
	JSON  bool          `name:"json" help:"Print JSON."`
}

func (c *tokenAddCmd) Run(g *globals) error {
	name, err := nameOf(c.Name)
	if err != nil {
		return err
	}
	if _, err := house.NewScopes(c.Scope...); err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	p, token, err := a.AddProgram(g.ctx, name, c.Scope...)
	if err != nil {
		return err
	}
	added := struct {
		house.Program
		Token string `json:"token"`
	}{p, token}
	if p.Scopes.Hears() && !c.JSON {
		tell(g.stderr, "token-user", "ID", p.ID)
	}
	return g.print(c.JSON, added, func(w io.Writer) { fmt.Fprintln(w, token) })
}

type tokenListCmd struct {
	JSON bool `name:"json" help:"Print JSON."`
}

func (c *tokenListCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	programs, err := a.Programs(g.ctx)
	if err != nil {
		return err
	}
	return g.print(c.JSON, notNil(programs), func(w io.Writer) {
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		for _, p := range programs {
			used := say.Text("programs-unused")
			if !p.UsedAt.IsZero() {
				used = say.Text("programs-used", "Moment", p.UsedAt.Local().Format(time.DateTime))
			}
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", p.ID, p.Name, p.Scopes, used)
		}
		t.Flush()
	})
}

type tokenRemoveCmd struct {
	Program string `arg:"" help:"The program's id or name."`
}

func (c *tokenRemoveCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	programs, err := a.Programs(g.ctx)
	if err != nil {
		return err
	}
	id := c.Program
	for _, p := range programs {
		if store.SameName(p.Name, c.Program) { // no two have one name
			id = p.ID
		}
	}
	return a.EndProgram(g.ctx, id)
}

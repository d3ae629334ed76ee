package main

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"lintel/internal/house"
	"lintel/store"
)

type residentCmd struct {
	List   residentListCmd   `cmd:"" help:"List who lives here."`
	Invite residentInviteCmd `cmd:"" help:"Print a link by which somebody becomes a resident, once, within a day."`
	Remove residentRemoveCmd `cmd:"" help:"Remove a resident, with all that lets them in."`
	Reset  residentResetCmd  `cmd:"" help:"Print a link that sets a resident's password anew, once, within an hour."`
}

type residentListCmd struct {
	JSON bool `name:"json" help:"Print JSON."`
}

func (c *residentListCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	residents, err := a.Residents(g.ctx)
	if err != nil {
		return err
	}
	return g.print(c.JSON, notNil(residents), func(w io.Writer) {
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		for _, r := range residents {
			fmt.Fprintf(t, "%s\t%s\t%s\n", r.ID, r.Name, say.Text("residents-since", "Moment",
				r.AddedAt.Local().Format(time.DateTime)))
		}
		t.Flush()
	})
}

// A linkFlags says how the link is printed.
type linkFlags struct {
	Server string `help:"Where browsers find it." default:"http://localhost:8420" env:"LINTEL_SERVER" placeholder:"URL"`
	JSON   bool   `name:"json" help:"Print JSON."`
}

// printLink prints a link that is good once. The server need not run: the link is
// in the archive.
func (f linkFlags) printLink(g *globals, path, token string, l house.Link) error {
	link := struct {
		Link      string    `json:"link"`
		ExpiresAt time.Time `json:"expires_at"`
	}{strings.TrimSuffix(f.Server, "/") + path + "?token=" + token, l.ExpiresAt}
	return g.print(f.JSON, link, func(w io.Writer) { fmt.Fprintln(w, link.Link) })
}

type residentInviteCmd struct{ linkFlags }

func (c *residentInviteCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	l, token, err := a.Invite(g.ctx, "")
	if err != nil {
		return err
	}
	return c.printLink(g, "/join", token, l)
}

type residentRemoveCmd struct {
	Resident string `arg:"" help:"The resident's id or name."`
}

func (c *residentRemoveCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	r, err := residentNamed(g, a, c.Resident)
	if err != nil {
		return err
	}
	return a.RemoveResident(g.ctx, r.ID, "")
}

type residentResetCmd struct {
	Resident string `arg:"" help:"The resident's id or name."`
	linkFlags
}

func (c *residentResetCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	r, err := residentNamed(g, a, c.Resident)
	if err != nil {
		return err
	}
	l, token, err := a.OfferReset(g.ctx, r.ID)
	if err != nil {
		return err
	}
	return c.printLink(g, "/reset", token, l)
}

// residentNamed finds a resident by id or name. The error is house.ErrNotFound.
func residentNamed(g *globals, a *store.Archive, which string) (house.Resident, error) {
	residents, err := a.Residents(g.ctx)
	if err != nil {
		return house.Resident{}, err
	}
	for _, r := range residents {
		if r.ID == which || store.SameName(r.Name, strings.TrimSpace(which)) { // no two have one name
			return r, nil
		}
	}
	return house.Resident{}, fmt.Errorf("resident %w", house.ErrNotFound)
}

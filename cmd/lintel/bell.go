package main

import (
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"lintel/internal/house"
	"lintel/store"
)

type bellCmd struct {
	Add    bellAddCmd    `cmd:"" help:"Add a bell and print its secret, which is shown only now."`
	List   bellListCmd   `cmd:"" help:"List the bells: their names, and the addresses by which they send."`
	Rename bellRenameCmd `cmd:"" help:"Call a bell otherwise; its address and its secret stay."`
	Renew  bellRenewCmd  `cmd:"" help:"Give a bell another secret and print it; the old one is worth nothing then."`
	Remove bellRemoveCmd `cmd:"" help:"Make a bell's secret worthless; its visits stay."`
	Lens   bellLensCmd   `cmd:"" help:"Say, change or forget how a bell looks at the doorstep."`
}

// openBell opens the archive and finds the bell of an address or a name. Whoever has
// the archive closes it.
func (g *globals) openBell(named string) (*store.Archive, house.Bell, error) {
	a, err := g.openArchive(false)
	if err != nil {
		return nil, house.Bell{}, err
	}
	bell, err := a.Bell(g.ctx, named)
	if err != nil {
		a.Close()
		return nil, bell, err
	}
	return a, bell, nil
}

type bellAddCmd struct {
	Name string `arg:"" help:"${bell_name}"`
	JSON bool   `name:"json" help:"Print JSON."`
}

func (c *bellAddCmd) Run(g *globals) error {
	a, err := g.openArchive(true)
	if err != nil {
		return err
	}
	defer a.Close()
	secret, err := a.AddBell(g.ctx, c.Name)
	if errors.Is(err, house.ErrExists) {
		return failed(err, "bell-add-twice", "Bell", strconv.Quote(c.Name))
	}
	if err != nil {
		return err
	}
	bell, err := a.Bell(g.ctx, strings.TrimSpace(c.Name))
	if err != nil {
		return err
	}
	if bell.Address != bell.Name {
		tell(g.stderr, "bell-address", "Name", bell.Name, "Address", bell.Address)
	}
	return g.printSecret(c.JSON, bell, secret)
}

// printSecret prints the secret of a bell, which is shown this once.
func (g *globals) printSecret(asJSON bool, bell house.Bell, secret string) error {
	shown := struct {
		Address string `json:"address"`
		Name    string `json:"name"`
		Secret  string `json:"secret"`
	}{bell.Address, bell.Name, secret}
	return g.print(asJSON, shown, func(w io.Writer) { fmt.Fprintln(w, secret) })
}

type bellRenewCmd struct {
	Bell string `arg:"" help:"The bell's address or name."`
	JSON bool   `name:"json" help:"Print JSON."`
}

func (c *bellRenewCmd) Run(g *globals) error {
	a, bell, err := g.openBell(c.Bell)
	if err != nil {
		return err
	}
	defer a.Close()
	secret, err := a.RenewBell(g.ctx, bell.Address)
	if err != nil {
		return err
	}
	return g.printSecret(c.JSON, bell, secret)
}

type bellRenameCmd struct {
	Bell string `arg:"" help:"The bell's address or name."`
	Name string `arg:"" help:"What it is to be called."`
}

func (c *bellRenameCmd) Run(g *globals) error {
	a, bell, err := g.openBell(c.Bell)
	if err != nil {
		return err
	}
	defer a.Close()
	return a.RenameBell(g.ctx, bell.Address, c.Name)
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
	all, err := a.BellHealths(g.ctx)
	if err != nil {
		return err
	}
	list := make([]listedBell, len(bells))
	for i, b := range bells {
		list[i] = listedBell{Bell: b, Ailing: notNil(all[b.Address].Ailing), Heartbeat: all[b.Address].Last}
	}
	return g.print(c.JSON, list, func(w io.Writer) {
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		for _, b := range list {
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", b.Address, b.Name, heard(b.HeardAt), ailing(b.Ailing))
		}
		t.Flush()
	})
}

// A listedBell is a bell with how it is.
type listedBell struct {
	house.Bell
	Ailing    []house.Spell    `json:"ailing"`
	Heartbeat *house.Heartbeat `json:"last_heartbeat,omitempty"`
}

// ailing says what a bell lacks, "" for nothing.
func ailing(spells []house.Spell) string {
	var says []string
	for _, s := range spells {
		says = append(says, say.Text("bell-ailing", "What", say.Text("ailment-"+string(s.Ailment)), "Time",
			s.Since.Local().Format(time.DateTime)))
	}
	return strings.Join(says, ", ")
}

type bellRemoveCmd struct {
	Bell string `arg:"" help:"The bell's address or name."`
}

func (c *bellRemoveCmd) Run(g *globals) error {
	a, bell, err := g.openBell(c.Bell)
	if err != nil {
		return err
	}
	defer a.Close()
	return a.RemoveBell(g.ctx, bell.Address)
}

type bellLensCmd struct {
	Bell       string            `arg:"" help:"The bell's address or name."`
	Angle      *float64          `help:"Horizontal angle of view in degrees, 20 to 200." placeholder:"DEGREES"`
	Projection *house.Projection `help:"${bell_projection}" placeholder:"NAME"`
	Height     *float64          `help:"${bell_height}" placeholder:"METRES"`
	Tilt       *float64          `help:"${bell_tilt}" placeholder:"DEGREES"`
	Clear      bool              `help:"Forget it."`
	JSON       bool              `name:"json" help:"Print JSON."`
}

// Run changes what the flags say and keeps the rest, then prints how the bell
// looks.
func (c *bellLensCmd) Run(g *globals) error {
	changes := c.Angle != nil || c.Projection != nil || c.Height != nil || c.Tilt != nil
	if c.Clear && changes {
		return misused("bell-clear")
	}
	a, bell, err := g.openBell(c.Bell)
	if err != nil {
		return err
	}
	defer a.Close()
	lens, known, err := a.Lens(g.ctx, bell.Address)
	if err != nil {
		return err
	}
	switch {
	case c.Clear:
		err, known = a.ClearLens(g.ctx, bell.Address), false
	case changes:
		if !known && (c.Angle == nil || c.Projection == nil || c.Height == nil || c.Tilt == nil) {
			return misused("bell-lens-all")
		}
		set(&lens.Angle, c.Angle)
		set(&lens.Projection, c.Projection)
		set(&lens.Height, c.Height)
		set(&lens.Tilt, c.Tilt)
		err, known = a.SetLens(g.ctx, bell.Address, lens), true
	}
	if err != nil {
		return err
	}
	answer := struct {
		Lens *house.Lens `json:"lens"` // null where it is not known
	}{}
	if known {
		answer.Lens = &lens
	}
	return g.print(c.JSON, answer, func(w io.Writer) {
		if !known {
			tell(w, "lens-unknown")
			return
		}
		tell(w, "bell-lens", "Angle", lens.Angle, "Projection", lens.Projection, "Height", lens.Height, "Tilt", lens.Tilt)
	})
}

// heard says when a bell or a source was last heard.
func heard(at time.Time) string {
	if at.IsZero() {
		return say.Text("heard-never")
	}
	return say.Text("heard-last", "Time", at.Local().Format(time.DateTime))
}

// set changes a value if there is another.
func set[T any](v, to *T) {
	if to != nil {
		*v = *to
	}
}

// notNil makes JSON print an empty list as [].
func notNil[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

package main

import (
	"fmt"
	"io"
	"slices"
	"text/tabwriter"
	"time"

	"lintel/internal/house"
)

type bellCmd struct {
	Add    bellAddCmd    `cmd:"" help:"Add a bell and print its secret, which is shown only now."`
	List   bellListCmd   `cmd:"" help:"List the bells."`
	Remove bellRemoveCmd `cmd:"" help:"Make a bell's secret worthless; its visits stay."`
	Lens   bellLensCmd   `cmd:"" help:"Say, change or forget how a bell looks at the doorstep."`
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
	return g.print(c.JSON, map[string]string{"name": c.Name, "secret": secret}, func(w io.Writer) {
		fmt.Fprintln(w, secret)
	})
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
			fmt.Fprintf(t, "%s\t%s\n", b.Name, heard(b.HeardAt))
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

type bellLensCmd struct {
	Name       string            `arg:"" help:"The bell's name."`
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
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	bells, err := a.Bells(g.ctx)
	if err != nil {
		return err
	}
	if !slices.ContainsFunc(bells, func(b house.Bell) bool { return b.Name == c.Name }) {
		return fmt.Errorf("bell %s: %w", c.Name, house.ErrNotFound)
	}
	lens, known, err := a.Lens(g.ctx, c.Name)
	if err != nil {
		return err
	}
	switch {
	case c.Clear:
		err, known = a.ClearLens(g.ctx, c.Name), false
	case changes:
		if !known && (c.Angle == nil || c.Projection == nil || c.Height == nil || c.Tilt == nil) {
			return misused("bell-lens-all")
		}
		set(&lens.Angle, c.Angle)
		set(&lens.Projection, c.Projection)
		set(&lens.Height, c.Height)
		set(&lens.Tilt, c.Tilt)
		err, known = a.SetLens(g.ctx, c.Name, lens), true
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

package main

import (
	"io"
	"text/tabwriter"
	"time"

	"lintel/internal/house"
)

type holdCmd struct {
	Place holdPlaceCmd `cmd:"" help:"Keep a visit past its time, for a reason and until an end."`
	End   holdEndCmd   `cmd:"" help:"End a hold; the rules say again when the visit goes."`
	List  holdListCmd  `cmd:"" help:"List the holds."`
}

type holdPlaceCmd struct {
	Visit  string `arg:"" help:"The visit's id."`
	Reason string `help:"Why." required:"" placeholder:"TEXT"`
	Until  string `help:"${hold_until}" required:"" placeholder:"TIME"`
}

func (c *holdPlaceCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	rules, err := a.Rules(g.ctx)
	if err != nil {
		return err
	}
	until, err := endOf(c.Until, rules.Location())
	if err != nil {
		return err
	}
	return a.PlaceHold(g.ctx, c.Visit, c.Reason, until)
}

// endOf reads a time, or a date for its end in the zone.
func endOf(text string, zone *time.Location) (time.Time, error) {
	if day, err := time.ParseInLocation(time.DateOnly, text, zone); err == nil {
		return day.AddDate(0, 0, 1), nil
	}
	return timeOf(text, zone)
}

// timeOf reads a time, or a date for its beginning in the zone.
func timeOf(text string, zone *time.Location) (time.Time, error) {
	if day, err := time.ParseInLocation(time.DateOnly, text, zone); err == nil {
		return day, nil
	}
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return time.Time{}, misused("time-form", "Text", text)
	}
	return at, nil
}

type holdEndCmd struct {
	Visit string `arg:"" help:"The visit's id."`
}

func (c *holdEndCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	return a.EndHold(g.ctx, c.Visit)
}

type holdListCmd struct {
	JSON bool `name:"json" help:"Print JSON."`
}

// A held visit is what the list prints of a hold.
type held struct {
	Visit    string    `json:"visit"`
	Reason   string    `json:"reason"`
	PlacedAt time.Time `json:"placed_at"`
	EndsAt   time.Time `json:"ends_at"`
}

func (c *holdListCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	holds, err := a.Holds(g.ctx)
	if err != nil {
		return err
	}
	rules, err := a.Rules(g.ctx)
	if err != nil {
		return err
	}
	list := make([]held, 0, len(holds))
	for _, h := range holds {
		list = append(list, held(house.Hold(h)))
	}
	return g.print(c.JSON, list, func(w io.Writer) {
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		for _, h := range list {
			tell(t, "hold-line", "Visit", h.Visit, "Time", h.EndsAt.In(rules.Location()).Format("2006-01-02 15:04"),
				"Reason", h.Reason)
		}
		t.Flush()
	})
}

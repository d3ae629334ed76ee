package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"
	"unicode"
	"unicode/utf8"

	"lintel/internal/house"
	"lintel/pipeline/advice/message"
)

type receiverCmd struct {
	Add    receiverAddCmd    `cmd:"" help:"${receiver_add}"`
	List   receiverListCmd   `cmd:"" help:"List the receivers."`
	Remove receiverRemoveCmd `cmd:"" help:"Sign nothing for a receiver any more, and make its token worthless."`
}

type receiverAddCmd struct {
	Name string `arg:"" help:"What screens call it, 1 to 60 characters."`
	Door string `help:"The name or id of the door that it is at." required:"" placeholder:"NAME"`
	JSON bool   `name:"json" help:"Print JSON."`
}

// receiverCautions stand beside each key that is given out.
const receiverCautions = `lintel: before anything acts on a message: Lintel never moves a lock, the receiver
decides. The way out must be free at all times, without power and without a network. Local building and fire codes
decide what may be fitted to a door, and a licensed locksmith or electrician does the work. docs/receiver/receiver.py is
an example that moves nothing.`

func (c *receiverAddCmd) Run(g *globals) error {
	name, err := nameOf(c.Name)
	if err != nil {
		return err
	}
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	doors, err := a.Doors(g.ctx)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(doors, func(d house.Door) bool { return d.ID == c.Door || strings.EqualFold(d.Name, c.Door) })
	if i < 0 {
		return fmt.Errorf("door %s: %w; doors are added on the screen Rules", c.Door, house.ErrNotFound)
	}
	r, token, err := a.AddReceiver(g.ctx, doors[i].ID, name)
	if err != nil {
		return err
	}
	fmt.Fprintln(g.stderr, receiverCautions)
	added := struct {
		house.Receiver
		Key   string `json:"key"`
		Token string `json:"token"`
	}{r, message.Key(r.Key).Text(), token}
	return g.print(c.JSON, added, func(w io.Writer) {
		fmt.Fprintf(w, "id     %s\ndoor   %s\nkey    %s\ntoken  %s\n", r.ID, r.Door, added.Key, token)
	})
}

type receiverListCmd struct {
	JSON bool `name:"json" help:"Print JSON."`
}

func (c *receiverListCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	receivers, err := a.Receivers(g.ctx)
	if err != nil {
		return err
	}
	doors, err := a.Doors(g.ctx)
	if err != nil {
		return err
	}
	names := make(map[string]string)
	for _, d := range doors {
		names[d.ID] = d.Name
	}
	return g.print(c.JSON, notNil(receivers), func(w io.Writer) {
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		for _, r := range receivers {
			fmt.Fprintf(t, "%s\t%s\tat %s\tadded %s\n", r.ID, r.Name, names[r.Door], r.AddedAt.Local().Format(time.DateTime))
		}
		t.Flush()
	})
}

type receiverRemoveCmd struct {
	ID string `arg:"" help:"The id, as the list has it."`
}

func (c *receiverRemoveCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	return a.RemoveReceiver(g.ctx, c.ID)
}

// nameOf checks the name of a source or a receiver as screens do.
func nameOf(name string) (string, error) {
	name = strings.TrimSpace(name)
	if n := utf8.RuneCountInString(name); n < 1 || n > 60 || !utf8.ValidString(name) ||
		strings.ContainsFunc(name, unicode.IsControl) {
		return "", fmt.Errorf("%w: a name has 1 to 60 characters", errUsage)
	}
	return name, nil
}

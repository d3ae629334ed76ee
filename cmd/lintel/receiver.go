package main

import (
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/message"
	"lintel/store"
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
	i := slices.IndexFunc(doors, func(d house.Door) bool { return d.ID == c.Door || store.SameName(d.Name, c.Door) })
	if i < 0 {
		return failed(house.ErrNotFound, "command-no-door", "Door", c.Door)
	}
	r, token, err := a.AddReceiver(g.ctx, doors[i].ID, name)
	if err != nil {
		return err
	}
	tell(g.stderr, "receiver-cautions") // beside each key that is given out
	added := struct {
		house.Receiver
		Key   string `json:"key"`
		Token string `json:"token"`
	}{r, message.Key(r.Key).Text(), token}
	return g.print(c.JSON, added, func(w io.Writer) {
		tell(w, "command-receiver-added", "ID", r.ID, "Door", r.Door, "Key", added.Key, "Token", token)
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
			tell(t, "receiver-line", "ID", r.ID, "Name", r.Name, "Door", names[r.Door],
				"Time", r.AddedAt.Local().Format(time.DateTime))
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

// nameOf checks the name of a source, a receiver or a program as screens do.
func nameOf(name string) (string, error) {
	name = strings.TrimSpace(name)
	if err := house.CheckName(name, 60); err != nil {
		return "", misusedBy(err)
	}
	return name, nil
}

package main

import (
	"io"

	"lintel/internal/house"
	"lintel/pipeline/cluster"
	"lintel/pipeline/match"
	"lintel/store"
)

// printDoubles says with whom a person is easily confused, by the distances
// between their references; nothing if with nobody.
func printDoubles(g *globals, w io.Writer, a *store.Archive, person house.Person) error {
	references, err := a.Gallery(g.ctx)
	if err != nil {
		return err
	}
	gallery, err := match.NewCurrent(a).Gallery(g.ctx)
	if err != nil {
		return err
	}
	for _, d := range cluster.Confusable(references, gallery.BandOf)[person.ID] {
		other, err := a.Person(g.ctx, d.Person)
		if err != nil {
			return err
		}
		tell(w, "confused", "Name", person.Name, "Other", other.Name, "ID", other.ID,
			"Distance", say.Sprintf("%.2f", d.Distance), "Band", say.Text("band-"+string(d.Band)))
	}
	return nil
}

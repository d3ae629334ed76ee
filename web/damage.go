package web

import (
	"context"
	"slices"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/web/view"
)

// troubleWords say what is wrong for whoever looks to know, "" for nothing, and return a
// channel that is closed when what all should know changes. Of damage residents are
// told, who can have it mended.
func (s *Server) troubleWords(ctx context.Context, who house.Session, w words.Words) (text string,
	changed <-chan struct{}, err error) {
	text, changed = s.trouble.say(w, troubles...)
	text = joined(text, s.triedWords(w))
	if who.Resident == "" {
		return text, changed, nil
	}
	sound, err := s.Archive.Soundness(ctx)
	if err == nil && sound.Damaged() {
		text = joined(text, w.Text("trouble-damaged"))
	}
	return text, changed, err
}

// A damageView is what Upkeep says of whether the archive is whole.
type damageView struct {
	Verified string   // when all of it was looked at last, and what that found
	Says     []string // what is damaged, in words; nil for nothing
	Met      []string // which values, for whoever mends
}

// fillDamage says whether the archive is whole.
func (s *Server) fillDamage(ctx context.Context, t view.Presenter, page *upkeepView) error {
	sound, err := s.Archive.Soundness(ctx)
	if err != nil {
		return err
	}
	d := &page.Damage
	d.Verified = t.Words.Text("upkeep-never-verified")
	if !sound.At.IsZero() {
		d.Verified = t.Words.Text("upkeep-verified", "Moment", t.Moment(sound.At), "Count", sound.Left)
	}
	if sound.Left > 0 {
		d.Says = append(d.Says, d.Verified)
	}
	database := house.Damage{What: house.DamagedDatabase}
	if slices.Contains(sound.Met, database) {
		d.Says = append(d.Says, t.Words.Text("damage-database"))
	}
	for _, met := range sound.Met {
		if met != database {
			d.Met = append(d.Met, met.What+" "+met.ID)
		}
	}
	if len(d.Met) > 0 {
		d.Says = append(d.Says, t.Words.Text("damage-met", "Count", len(d.Met), "Sign", house.Unreadable))
	}
	return nil
}

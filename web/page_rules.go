package web

import (
	"context"
	"net/http"
	"time"

	"lintel/internal/house"
	"lintel/web/view"
)

// zone returns the household's time zone: the one its rules name, or the
// server's.
func (s *Server) zone(ctx context.Context) *time.Location {
	rules, err := s.Archive.Rules(ctx)
	if err != nil {
		return s.Zone // an archive that can't be read fails whatever the times are for
	}
	return s.zoneBy(rules)
}

// zoneBy returns the time zone of rules that were read already.
func (s *Server) zoneBy(rules house.Rules) *time.Location {
	if rules.Zone == "" {
		return s.Zone
	}
	return rules.Location()
}

// A rulesView is what the screen Rules shows: its four parts, and of each what holds
// now.
type rulesView struct {
	Bar        barView
	Suggesting suggestingLine
	Strangers  string // how long their visits are kept
	Known      string // how long those of persons are
	Quiet      int    // how many quiet times a week has
	Masks      int    // how many there are, of all bells
	Zone       string // "" for the server's
	Clock      string // what time it is there
}

func (s *Server) showRules(w http.ResponseWriter, r *http.Request) error {
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	page := rulesView{Bar: barOf(r, t.Words.Text("rules-title")), Quiet: len(t.Rules.Quiet), Zone: t.Rules.Zone,
		Strangers: t.Period(t.Rules.Keep[house.Stranger].Findings), Known: t.Period(t.Rules.Keep[house.Known].Findings),
		Clock: t.Moment(t.Now)}
	if page.Suggesting, err = s.suggestingLine(r.Context(), t); err != nil {
		return err
	}
	bells, err := s.maskedBells(r.Context(), t)
	if err != nil {
		return err
	}
	for _, b := range bells {
		page.Masks += b.Masks
	}
	return sendPage(w, r, http.StatusOK, "rules.html", page)
}

// A privacyView is what the page of what bells must not show has.
type privacyView struct {
	Bar   barView
	Bells []maskedBell
}

// privacyWidth is how wide a still is there, in points.
const privacyWidth = 320

// A maskedBell is a bell with what it sees and what of that is masked.
type maskedBell struct {
	Name    string
	Address string // of its masks
	Masks   int
	Lens    string // address of how it looks
	Looks   string
	Known   bool         // how it looks
	Still   view.Picture // the latest still
}

func (s *Server) showPrivacy(w http.ResponseWriter, r *http.Request) error {
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	page := privacyView{Bar: barOf(r, t.Words.Text("rules-tab-privacy"))}
	if page.Bells, err = s.maskedBells(r.Context(), t); err != nil {
		return err
	}
	return sendPage(w, r, http.StatusOK, "rules-privacy.html", page)
}

// maskedBells lists the bells with how many masks each has, and how it looks.
func (s *Server) maskedBells(ctx context.Context, t view.Presenter) (lines []maskedBell, err error) {
	bells, err := s.Archive.Bells(ctx)
	if err != nil {
		return nil, err
	}
	for _, b := range bells {
		masks, _, err := s.Archive.Masks(ctx, b.Address)
		if toShow(err) != nil {
			return nil, err
		}
		lens, known, err := s.Archive.Lens(ctx, b.Address)
		if err != nil {
			return nil, err
		}
		line := maskedBell{Name: b.Name, Address: masksAddress(b.Address), Masks: len(masks), Lens: lensAddress(b.Address),
			Looks: t.Lens(lens, known), Known: known}
		still, found, err := s.latestStill(ctx, b.Address)
		if err != nil {
			return nil, err
		}
		if found {
			line.Still = t.StillOf(still, privacyWidth)
			line.Still.Alt = t.Words.Text("masks-still", "Bell", b.Name)
		}
		lines = append(lines, line)
	}
	return lines, nil
}

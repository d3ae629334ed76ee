package web

import (
	"context"
	"errors"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/bell"
	"lintel/web/view"
)

// A bellsView is what Upkeep shows of bells.
type bellsView struct {
	All   []view.BellHealth
	Wrong string
}

// fillBells says on Upkeep how each bell is.
func (s *Server) fillBells(ctx context.Context, t view.Presenter, page *upkeepView) error {
	bells, err := s.Archive.Bells(ctx)
	if err != nil {
		return err
	}
	for _, b := range bells {
		week, err := s.weekOfBell(ctx, t.Now, b)
		if err != nil {
			return err
		}
		health := t.BellHealth(week)
		d, known, err := s.Archive.Display(ctx, b.Address)
		if err != nil {
			return err
		}
		health.Tried = s.triedLine(t, b.Address)
		health.Folder, health.FolderLost = s.folderWords(t, b.Address)
		health.Display, health.ChangeDisplay = t.DisplayWords(d, known), displayAddress(b.Address)
		page.Bells.All = append(page.Bells.All, health)
	}
	return nil
}

func (s *Server) weekOfBell(ctx context.Context, now time.Time, b house.Bell) (w view.BellWeek, err error) {
	w.Bell = b
	if w.House, err = s.Archive.BellHealth(ctx, b.Address); err != nil {
		return w, err
	}
	if w.Beats, err = s.Archive.Heartbeats(ctx, b.Address, now.Add(-house.HealthKept)); err != nil {
		return w, err
	}
	if w.Days, err = s.Archive.BellDays(ctx, b.Address); err != nil {
		return w, err
	}
	seen, err := s.Archive.BellView(ctx, b.Address)
	w.Hours = bell.KnownHours(seen)
	return w, err
}

// bellAddress is where a bell is shown on Upkeep.
func bellAddress(bell string) string { return "/upkeep/bells#bell-" + url.PathEscape(bell) }

// submitHeartbeat says how often a bell sends heartbeats; nothing typed is never.
func (s *Server) submitHeartbeat(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	minutes := 0
	if typed := posted.text("minutes"); typed != "" {
		if minutes, err = strconv.Atoi(typed); err != nil || minutes < 1 || minutes > 24*60 {
			err = house.ErrBadInterval
		}
	}
	if err == nil {
		err = s.expectHeartbeats(r.Context(), r.PathValue("bell"), time.Duration(minutes)*time.Minute)
	}
	if errors.Is(err, house.ErrBadInterval) {
		return s.drawUpkeep(w, r, upkeepView{Part: "bells", Bells: bellsView{Wrong: told(speak(languageOf(r)), err)}})
	}
	if err != nil {
		return absent(err, errNoBell)
	}
	return redirect(w, r, bellAddress(r.PathValue("bell")))
}

// submitForgetView takes what the bell sees now as usual.
func (s *Server) submitForgetView(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.ForgetBellView(r.Context(), r.PathValue("bell")); err != nil {
		return absent(err, errNoBell)
	}
	return redirect(w, r, bellAddress(r.PathValue("bell")))
}

// bellNotices say on Now what is wrong with bells, "" for nothing.
func (s *Server) bellNotices(ctx context.Context, t view.Presenter) (string, error) {
	all, err := s.Archive.BellHealths(ctx)
	if err != nil {
		return "", err
	}
	var says []string
	for _, what := range house.Ailments {
		for _, name := range slices.Sorted(maps.Keys(all)) {
			if spell, has := all[name].Has(what); has {
				says = append(says, t.BellNotice(t.Words.Bell(name), spell))
			}
		}
	}
	return strings.Join(says, " "), nil
}

package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/review"
	"lintel/web/view"
)

// A strangersView is what the page Strangers seen again shows.
type strangersView struct {
	Bar     barView
	Groups  []view.Stranger
	Waiting string // that not all faces were compared yet
	Earlier string // address of those who rang before these, "" for none
}

// strangersOnPage is how many strangers a page shows.
const strangersOnPage = 24

func (s *Server) showStrangers(w http.ResponseWriter, r *http.Request) error {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	page := strangersView{Bar: barOf(r, presenter.Words.Text("strangers-title"))}
	seen, err := s.review.SeenAgain(r.Context(), r.URL.Query().Get("cursor"), strangersOnPage)
	if errors.Is(err, review.ErrBadCursor) {
		return queryProblem("problem-query-cursor")
	}
	if err != nil {
		return err
	}
	page.Groups = seenAgain(presenter, seen.Strangers)
	page.Waiting = presenter.Waiting(seen.Waiting)
	if seen.Next != "" {
		page.Earlier = "/people/strangers?" + url.Values{"cursor": {seen.Next}}.Encode()
	}
	return sendPage(w, r, http.StatusOK, "strangers.html", page)
}

// shownAgain is how many visits are listed of a stranger, before somebody asks
// for all of them.
const shownAgain = 6

// seenAgain shows strangers who rang at least twice.
func seenAgain(t view.Presenter, all []review.Stranger) (shown []view.Stranger) {
	for _, g := range all {
		stranger := t.Stranger(g)
		t.Shorten(&stranger, shownAgain)
		shown = append(shown, stranger)
	}
	return shown
}

// seenAgainOn shows the strangers of a visit who rang on others too, with the best face
// of each cut out, and says whether there may be more.
func (s *Server) seenAgainOn(ctx context.Context, t view.Presenter, visit string) (shown []view.Stranger,
	waiting string, err error) {
	all, waits, err := s.review.SeenOn(ctx, visit)
	if err != nil {
		return nil, "", err
	}
	shown = seenAgain(t, all)
	for i, g := range all {
		if shown[i].Best, err = s.cropOf(ctx, g.Best()); err != nil {
			return nil, "", err
		}
	}
	return shown, t.Waiting(waits), nil
}

// cropOf returns the part of a still around a face; none if the still went
// meanwhile.
func (s *Server) cropOf(ctx context.Context, f house.Sighting) (view.Crop, error) {
	v, err := s.Archive.Visit(ctx, f.Visit)
	if errors.Is(err, house.ErrNotFound) {
		return view.Crop{}, nil
	}
	for _, still := range v.Stills {
		if still.Frame == f.Frame && still.File != "" && still.File == f.File {
			return view.CropOf(still, f.Face), nil
		}
	}
	return view.Crop{}, err
}

// KeepStrangers compares strangers' faces as they come, until the context is done.
func (s *Server) KeepStrangers(ctx context.Context, ticks <-chan time.Time) {
	s.review.KeepStrangers(ctx, ticks, s.Log)
}

package web

import (
	"context"
	"errors"
	"net/http"
	"slices"

	"lintel/internal/house"
	"lintel/pipeline/review"
	"lintel/web/view"
)

// A strangersView is what the page Strangers seen again shows.
type strangersView struct {
	Bar    barView
	Groups []view.Stranger
}

func (s *Server) showStrangers(w http.ResponseWriter, r *http.Request) error {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	page := strangersView{Bar: barOf(r, presenter.Words.Text("strangers-title"))}
	if page.Groups, err = s.seenAgain(r.Context(), presenter, ""); err != nil {
		return err
	}
	return sendPage(w, r, http.StatusOK, "strangers.html", page)
}

// shownAgain is how many visits are listed of a stranger, before somebody asks
// for all of them.
const shownAgain = 6

// seenAgain shows the strangers who rang at least twice: all of them, or those
// of one visit.
func (s *Server) seenAgain(ctx context.Context, t view.Presenter, visit string) (shown []view.Stranger, err error) {
	all, _, err := s.review.SeenAgain(ctx)
	if err != nil {
		return nil, err
	}
	for _, g := range all {
		if visit != "" && !slices.ContainsFunc(g.Visits, func(v review.StrangerVisit) bool { return v.ID == visit }) {
			continue
		}
		stranger := t.Stranger(g)
		t.Shorten(&stranger, shownAgain)
		if stranger.Best, err = s.cropOf(ctx, g.Best()); err != nil {
			return nil, err
		}
		shown = append(shown, stranger)
	}
	return shown, nil
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

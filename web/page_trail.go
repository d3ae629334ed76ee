package web

import (
	"context"
	"errors"
	"net/http"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/store"
	"lintel/web/view"
)

// A trailView is what the page of the audit trail shows.
type trailView struct {
	Bar      barView
	Entries  []view.TrailLine
	Newest   bool
	Earlier  int64  // the entry before which the next page begins, 0 on the last
	Checked  string // what a check of what is new came to
	Tampered bool

	Whole         string // what the last check of the whole trail came to, and when
	WholeTampered bool
}

// entriesShown is how many entries a page or an answer has.
const entriesShown = 50

func (s *Server) showTrail(w http.ResponseWriter, r *http.Request) error {
	return s.drawTrail(w, r, trailView{})
}

// submitTrailCheck goes through what is new in the trail; the whole of it is too much
// for whoever waits, and is gone through once a day.
func (s *Server) submitTrailCheck(w http.ResponseWriter, r *http.Request) error {
	t := speak(languageOf(r))
	first, last, err := s.Archive.CheckNewTrail(r.Context())
	var page trailView
	var tampered store.TamperedError
	switch {
	case errors.As(err, &tampered):
		s.Log.Error("the audit trail was changed", "err", err)
		page.Checked, page.Tampered = tamperedWords(t, tampered), true
	case err != nil:
		return err
	case first == 1:
		page.Checked = t.Text("trail-intact", "Count", int(last), "Entries", t.Amount(last))
	default:
		page.Checked = t.Text("trail-intact-new", "Count", int(last-first+1), "New", t.Amount(last-first+1))
	}
	return s.drawTrail(w, r, page)
}

// tamperedWords say how the trail was changed.
func tamperedWords(w words.Words, e store.TamperedError) string {
	return w.Text("tampered-"+e.How, "Entry", e.Entry, "Last", e.Last)
}

// wholeWords say when the whole trail was gone through last, and what came of it.
func wholeWords(t view.Presenter, c store.TrailCheck) string {
	switch {
	case c.At.IsZero():
		return t.Words.Text("trail-whole-not")
	case c.Tampered != nil:
		return t.Words.Text("trail-whole-changed", "Moment", t.Moment(c.At), "How", tamperedWords(t.Words, *c.Tampered))
	}
	return t.Words.Text("trail-whole", "Moment", t.Moment(c.At), "Count", int(c.Entries),
		"Entries", t.Words.Amount(c.Entries))
}

func (s *Server) drawTrail(w http.ResponseWriter, r *http.Request, page trailView) error {
	entries, err := s.trailEntries(r)
	if err != nil {
		return err
	}
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	if t.Names, err = s.trailNames(r.Context()); err != nil {
		return err
	}
	if err = s.nameVisits(r.Context(), t, entries); err != nil {
		return err
	}
	whole, err := s.Archive.TrailChecked(r.Context())
	if err != nil {
		return err
	}
	page.Whole, page.WholeTampered = wholeWords(t, whole), whole.Tampered != nil
	page.Bar = barOf(r, t.Words.Text("trail-title"))
	page.Newest = r.URL.Query().Get("before") == ""
	for _, e := range entries {
		page.Entries = append(page.Entries, t.TrailLine(e))
	}
	if n := len(entries); n == entriesShown && entries[n-1].Seq > 1 {
		page.Earlier = entries[n-1].Seq
	}
	return sendPage(w, r, http.StatusOK, "trail.html", page)
}

// trailNames returns what the trail's ids stand for. A door that is gone has no
// name any more.
func (s *Server) trailNames(ctx context.Context) (map[string]string, error) {
	names, err := s.Archive.Names(ctx)
	if err != nil {
		return nil, err
	}
	doors, err := s.Archive.Doors(ctx)
	if err != nil {
		return nil, err
	}
	for _, d := range doors {
		names["door "+d.ID] = d.Name
	}
	return names, nil
}

// nameVisits has a presenter say where and when those visits rang that entries are
// about. One that is gone is told by its id.
func (s *Server) nameVisits(ctx context.Context, t view.Presenter, entries []house.Entry) error {
	for _, e := range entries {
		id := e.Of("visit")
		if id == "" || t.Names["visit "+id] != "" {
			continue
		}
		v, err := s.Archive.Visit(ctx, id)
		switch {
		case errors.Is(err, house.ErrNotFound):
		case err != nil:
			return err
		default:
			t.Names["visit "+id] = t.Words.Bell(v.Bell) + ", " + t.Moment(v.ReceivedAt)
		}
	}
	return nil
}

// trailEntries returns the entries before the one that a request names, or the
// newest.
func (s *Server) trailEntries(r *http.Request) ([]house.Entry, error) {
	before, ok := number(r, "before", 0, 1<<62)
	if !ok {
		return nil, queryProblem("problem-query-before")
	}
	return s.Archive.Trail(r.Context(), before, entriesShown)
}

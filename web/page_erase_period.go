package web

import (
	"context"
	"net/http"
	"net/url"
	"time"

	"lintel/store"
)

// A confirmView asks once more before something goes.
type confirmView struct {
	Bar    barView
	Says   []string // what goes and what stays
	Action string   // where the form is posted; "" where nothing can go
	Button string
	Fields []field
	Back   string // where to go instead

	Picture string // address of what goes, where it can be seen
}

// A field is a hidden one of a form.
type field struct{ Name, Value string }

// wholePeriod reads a period that has both ends: none stands for for ever
// where something is erased.
func wholePeriod(q url.Values, from, until func(string) (time.Time, error)) (begin, end time.Time, err error) {
	begin, end, err = readPeriod(q, from, until)
	if err == nil && (begin.IsZero() || end.IsZero()) {
		err = errHalfPeriod
	}
	return begin, end, err
}

// showErasePeriod asks which period, and then says what erasing it would take.
func (s *Server) showErasePeriod(w http.ResponseWriter, r *http.Request) error {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	text, q := presenter.Words.Text, r.URL.Query()
	page := confirmView{Bar: barOf(r, text("erase-period-title")), Back: "/visits"}
	if !q.Has("from") && !q.Has("until") {
		return sendPage(w, r, http.StatusOK, "erase-period.html", page)
	}
	from, until, err := wholePeriod(q, presenter.DayFrom, presenter.DayUntil)
	if err != nil {
		page.Says = []string{told(presenter.Words, err), text("erase-nothing")}
		return sendPage(w, r, http.StatusBadRequest, "confirm.html", page)
	}
	would, err := s.Archive.WouldErasePeriod(r.Context(), from, until)
	if err != nil {
		return err
	}
	page.Says = append(page.Says, text("erase-period-days", "From", presenter.Day(from),
		"Until", presenter.Day(until.Add(-time.Second))))
	if would.Visits > 0 {
		page.Action, page.Button = "/visits/erase", text("erase-visits-button", "Count", would.Visits)
		page.Fields = []field{{"from", q.Get("from")}, {"until", q.Get("until")}}
		page.Says = append(page.Says, text("erase-visits", "Count", would.Visits))
	} else {
		page.Says = append(page.Says, text("erase-no-visit"))
	}
	if would.Held > 0 {
		page.Says = append(page.Says, text("erase-visits-held", "Count", would.Held))
	}
	return sendPage(w, r, http.StatusOK, "confirm.html", page)
}

func (s *Server) submitErasePeriod(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	from, until, err := wholePeriod(posted.Values, presenter.DayFrom, presenter.DayUntil)
	if p, known := problemOf(err); err != nil && known {
		p.Type, p.Detail = "bad-period", "erase-nothing"
		return p
	}
	x, err := s.periodErasure(r.Context(), from, until)
	if err != nil {
		return err
	}
	return s.beginOnPage(w, r, x)
}

// periodErasure is the erasure of a period.
func (s *Server) periodErasure(ctx context.Context, from, until time.Time) (*erasure, error) {
	left := func(ctx context.Context) (int, error) {
		would, err := s.Archive.WouldErasePeriod(ctx, from, until)
		return would.Visits, err
	}
	of, err := left(ctx)
	return &erasure{
		of: of, left: left, done: donePath, back: "/visits",
		run: func(ctx context.Context) (store.Erased, error) { return s.Archive.ErasePeriod(ctx, from, until) },
	}, err
}

// erased tells whoever wants to know that something was erased.
func (s *Server) erased() {
	if s.Erased != nil {
		s.Erased()
	}
}

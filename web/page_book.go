package web

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/store"
	"lintel/web/view"
)

// rowsOnPage is how many visits a page of the visitor book has.
const rowsOnPage = 40

// A bookView is what the page Visitor book shows.
type bookView struct {
	Bar     barView
	Message string // what is wrong with the filter
	Done    string // what was erased just now
	Fields  bookFields
	Bells   []house.Bell
	Kinds   []house.Kind
	Persons []house.Person
	Days    []view.BookDay
	Newest  string // address of the page with the newest, "" on that page
	Earlier string // address of the page after this one, "" on the last
}

// bookFields are the filter as its form holds it.
type bookFields struct {
	Bell, Kind, Person, From, Until, Held string
}

// Filtered reports whether there is a filter.
func (f bookFields) Filtered() bool { return f != bookFields{} }

func (s *Server) showBook(w http.ResponseWriter, r *http.Request) error {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	q := r.URL.Query()
	page := bookView{
		Bar: barOf(r, presenter.Words.Text("screen-book")), Done: doneWords(presenter.Words, q),
		Kinds:  append(slices.Clone(house.Kinds), house.Looking),
		Fields: bookFields{q.Get("bell"), q.Get("kind"), q.Get("person"), q.Get("from"), q.Get("until"), q.Get("held")},
	}
	status := http.StatusOK
	filter, cursor, err := readFilter(q, presenter.DayFrom, presenter.DayUntil)
	if err != nil {
		page.Message, status = told(presenter.Words, err), http.StatusBadRequest
	} else if err := s.fillBook(r.Context(), presenter, &page, filter, cursor); err != nil {
		return err
	}
	if page.Bells, err = s.Archive.Bells(r.Context()); err != nil {
		return err
	}
	if page.Persons, err = s.Archive.Persons(r.Context()); err != nil {
		return err
	}
	return sendPage(w, r, status, "book.html", page)
}

// fillBook reads the page's visits.
func (s *Server) fillBook(ctx context.Context, t view.Presenter, page *bookView, f store.Filter,
	from store.Cursor) error {
	visits, next, err := s.Archive.Book(ctx, f, from, rowsOnPage)
	if err != nil {
		return err
	}
	page.Days = t.Book(visits)
	if from != (store.Cursor{}) {
		page.Newest = page.Fields.address(store.Cursor{})
	}
	if next != (store.Cursor{}) {
		page.Earlier = page.Fields.address(next)
	}
	return nil
}

// address returns where the filter's page begins at the cursor.
func (f bookFields) address(from store.Cursor) string {
	q := make(url.Values)
	for name, v := range map[string]string{"bell": f.Bell, "kind": f.Kind, "person": f.Person,
		"from": f.From, "until": f.Until, "held": f.Held, "cursor": from.String()} {
		if v != "" {
			q.Set(name, v)
		}
	}
	return (&url.URL{Path: "/visits", RawQuery: q.Encode()}).String()
}

// donePath leads to the visitor book, which then says what was erased.
func donePath(e store.Erased) string {
	q := url.Values{"erased": {strconv.Itoa(e.Visits)}}
	if e.Held > 0 {
		q.Set("left", strconv.Itoa(e.Held))
	}
	return "/visits?" + q.Encode()
}

// doneWords says what donePath carried.
func doneWords(w words.Words, q url.Values) string {
	erased, err := strconv.Atoi(q.Get("erased"))
	if err != nil || erased < 0 {
		return ""
	}
	says := []string{w.Text("book-erased", "Count", erased)}
	if left, err := strconv.Atoi(q.Get("left")); err == nil && left > 0 {
		says = append(says, w.Text("book-left-held", "Count", left))
	}
	return strings.Join(says, " ")
}

// A confirmView asks once more before something goes.
type confirmView struct {
	Bar    barView
	Says   []string // what goes and what stays
	Action string   // where the form is posted; "" where nothing can go
	Button string
	Fields []field
	Back   string // where to go instead
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

// showErasePeriod says what erasing a period would take.
func (s *Server) showErasePeriod(w http.ResponseWriter, r *http.Request) error {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	text, q := presenter.Words.Text, r.URL.Query()
	page := confirmView{Bar: barOf(r, text("erase-period-title")), Back: "/visits"}
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

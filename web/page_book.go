package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"lintel/internal/house"
	"lintel/store"
)

// rowsOnPage is how many visits a page of the visitor book has.
const rowsOnPage = 40

// A bookView is what the page Visitor book shows.
type bookView struct {
	Bar     barView
	Message string // what is wrong with the filter
	Done    string // what was erased just now
	Fields  bookFields
	Bells   []string
	Kinds   []kindChoice
	Persons []house.Person
	Days    []bookDay
	Newest  string // address of the page with the newest, "" on that page
	Earlier string // address of the page after this one, "" on the last
}

// bookFields are the filter as its form holds it.
type bookFields struct {
	Bell, Kind, Person, From, Until, Held string
}

// Filtered reports whether there is a filter.
func (f bookFields) Filtered() bool { return f != bookFields{} }

type kindChoice struct {
	Kind house.Kind
	Name string
}

// kindChoices are what the filter's form offers.
func kindChoices() (choices []kindChoice) {
	for _, kind := range append(slices.Clone(house.Kinds), house.Looking) {
		choices = append(choices, kindChoice{kind, kindPlurals[kind]})
	}
	return choices
}

// A bookDay is a day's visits, newest first.
type bookDay struct {
	Name string
	Rows []bookRow
}

// A bookRow is a visit as the book shows it.
type bookRow struct {
	card
	Tags []string // in a word each: what else to know
	Gone string   // what became of the stills, if there is none to show
	Fate []string
}

func (s *Server) showBook(w http.ResponseWriter, r *http.Request) error {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	q := r.URL.Query()
	view := bookView{
		Bar: barOf(r, "Visitor book", "Visitor book"), Kinds: kindChoices(), Done: doneWords(q),
		Fields: bookFields{q.Get("bell"), q.Get("kind"), q.Get("person"), q.Get("from"), q.Get("until"), q.Get("held")},
	}
	status := http.StatusOK
	filter, cursor, err := readFilter(q, presenter.DayFrom, presenter.DayUntil)
	if err != nil {
		view.Message, status = capital(err.Error())+".", http.StatusBadRequest
	} else if err := s.fillBook(r.Context(), presenter, &view, filter, cursor); err != nil {
		return err
	}
	if err := s.fillChoices(r.Context(), &view); err != nil {
		return err
	}
	return sendPage(w, r, status, "book.html", view)
}

// fillBook reads the page's visits into the view.
func (s *Server) fillBook(ctx context.Context, t presenter, view *bookView, f store.Filter, from store.Cursor) error {
	visits, next, err := s.Archive.Book(ctx, f, from, rowsOnPage)
	if err != nil {
		return err
	}
	for _, v := range visits {
		day := t.bookDay(v.ReceivedAt)
		if n := len(view.Days); n == 0 || view.Days[n-1].Name != day {
			view.Days = append(view.Days, bookDay{Name: day})
		}
		last := &view.Days[len(view.Days)-1]
		last.Rows = append(last.Rows, t.bookRow(v))
	}
	if from != (store.Cursor{}) {
		view.Newest = view.Fields.address(store.Cursor{})
	}
	if next != (store.Cursor{}) {
		view.Earlier = view.Fields.address(next)
	}
	return nil
}

// fillChoices reads what the filter's form offers.
func (s *Server) fillChoices(ctx context.Context, view *bookView) error {
	bells, err := s.Archive.Bells(ctx)
	if err != nil {
		return err
	}
	for _, b := range bells {
		view.Bells = append(view.Bells, b.Name)
	}
	view.Persons, err = s.Archive.Persons(ctx)
	return err
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

// bookDay heads a day of the book.
func (t presenter) bookDay(at time.Time) string {
	day, today := at.In(t.Zone).Format(time.DateOnly), t.Now.In(t.Zone)
	switch day {
	case today.Format(time.DateOnly):
		return "Today, " + t.Day(at)
	case today.AddDate(0, 0, -1).Format(time.DateOnly):
		return "Yesterday, " + t.Day(at)
	}
	return t.Day(at)
}

func (t presenter) bookRow(v house.Visit) bookRow {
	row := bookRow{card: t.cardOf(v), Fate: t.ScheduleWords(v)}
	if v.Parcel {
		row.Tags = append(row.Tags, "Parcel")
	}
	for _, s := range v.Stills {
		if s.Damaged {
			row.Tags = append(row.Tags, "Damaged")
			break
		}
	}
	if t.Hold(v) != nil {
		row.Tags = append(row.Tags, "Held")
	}
	if row.Still == "" {
		row.Gone = "Still gone, as the rules say"
		for _, s := range v.Stills {
			if s.Lost {
				row.Gone = "Still lost"
			}
		}
	}
	return row
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
func doneWords(q url.Values) string {
	erased, err := strconv.Atoi(q.Get("erased"))
	if err != nil || erased < 0 {
		return ""
	}
	words := counted(erased, "visit") + " erased."
	if left, err := strconv.Atoi(q.Get("left")); err == nil && left > 0 {
		words += " " + counted(left, "visit") + " left, for a hold."
	}
	return words
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

var errNoPeriod = errors.New("a period has a first and a last day")

// wholePeriod reads a period that has both ends: none stands for for ever
// where something is erased.
func wholePeriod(q url.Values, from, until func(string) (time.Time, error)) (begin, end time.Time, err error) {
	begin, end, err = readPeriod(q, from, until)
	if err == nil && (begin.IsZero() || end.IsZero()) {
		err = errNoPeriod
	}
	return begin, end, err
}

// showErasePeriod says what erasing a period would take.
func (s *Server) showErasePeriod(w http.ResponseWriter, r *http.Request) error {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	q := r.URL.Query()
	view := confirmView{Bar: barOf(r, "Visitor book", "Erase a period"), Back: "/visits"}
	from, until, err := wholePeriod(q, presenter.DayFrom, presenter.DayUntil)
	if err != nil {
		view.Says = []string{capital(err.Error()) + ". Nothing was erased."}
		return sendPage(w, r, http.StatusBadRequest, "confirm.html", view)
	}
	would, err := s.Archive.WouldErasePeriod(r.Context(), from, until)
	if err != nil {
		return err
	}
	view.Says = append(view.Says, "From "+presenter.Day(from)+" to "+presenter.Day(until.Add(-time.Second))+":")
	if would.Visits > 0 {
		view.Action, view.Button = "/visits/erase", "Erase "+counted(would.Visits, "visit")
		view.Fields = []field{{"from", q.Get("from")}, {"until", q.Get("until")}}
		view.Says = append(view.Says, counted(would.Visits, "visit")+" would go for good, with stills, faces and findings. "+
			"No backup brings them back here.")
	} else {
		view.Says = append(view.Says, "There is no visit that would go.")
	}
	if would.Held > 0 {
		view.Says = append(view.Says,
			counted(would.Held, "visit")+" would stay, for a hold. End the hold first where that is to go as well.")
	}
	return sendPage(w, r, http.StatusOK, "confirm.html", view)
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
	if err != nil {
		return problem{Status: http.StatusBadRequest, Type: "bad-period", Title: sentence(err) + " Nothing was erased."}
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

package web

import (
	"context"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/store"
	"lintel/web/view"
)

// rowsOnPage is how many visits a page of the visitor book has.
const rowsOnPage = 30

// A bookView is what the page Visitor book shows: all visits, a day or a year.
type bookView struct {
	Bar     barView
	Message string   // what is wrong with the filter
	Done    string   // what was erased just now
	Erasing []string // how far erasures of periods are
	Fields  bookFields
	Views   []bookChip // the ways to look at the book
	Persons []bookChip
	Chips   []bookChip // for all else
	Hidden  []field    // what the search by a name keeps
	All     string     // address without a filter, "" where there is none
	Days    []view.BookDay
	Newer   string // address of the page before this one, "" on the first
	Earlier string // address of the page after this one, "" on the last
	Strip   *bookStrip
	Year    *bookYear
}

// A bookChip leads to the book with something chosen, or no longer.
type bookChip struct {
	Name, Address string
	On            bool
	Picture       view.Picture
	Initial       string // where there is no picture
}

// bookFields are the filter, and which part is shown, as addresses hold them.
type bookFields struct {
	Bell, Kind, Person, Name, Picture, From, Until, Held, Day, Year string
}

// names are those of the fields in an address.
func (f *bookFields) names() map[string]*string {
	return map[string]*string{"bell": &f.Bell, "kind": &f.Kind, "person": &f.Person, "name": &f.Name,
		"picture": &f.Picture, "from": &f.From, "until": &f.Until, "held": &f.Held, "day": &f.Day, "year": &f.Year}
}

// Filtered reports whether there is a filter.
func (f bookFields) Filtered() bool { f.Day, f.Year = "", ""; return f != bookFields{} }

// More reports whether there is one that is not on top of the page.
func (f bookFields) More() bool { f.Person, f.Name = "", ""; return f.Filtered() }

// with returns the fields with one that has another value.
func (f bookFields) with(name, value string) bookFields {
	*f.names()[name] = value
	return f
}

// address returns where the filter's page begins at the cursor.
func (f bookFields) address(from store.Cursor) string {
	q := make(url.Values)
	for name, v := range f.names() {
		if *v != "" {
			q.Set(name, *v)
		}
	}
	if from != (store.Cursor{}) {
		q.Set("cursor", from.String())
	}
	return (&url.URL{Path: "/visits", RawQuery: q.Encode()}).String()
}

func (s *Server) showBook(w http.ResponseWriter, r *http.Request) error {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	q := r.URL.Query()
	page := bookView{Bar: barOf(r, presenter.Words.Text("screen-book")), Done: doneWords(presenter.Words, q)}
	for name, v := range page.Fields.names() {
		*v = strings.TrimSpace(q.Get(name))
	}
	if page.Done != "" {
		forgetPictures(w)
	}
	status := http.StatusOK
	filter, cursor, err := s.readFilter(r.Context(), q, presenter.DayFrom, presenter.DayUntil)
	if err == nil {
		err = s.fillBook(r.Context(), presenter, &page, filter, cursor)
	}
	if p, known := problemOf(err); err != nil && known && p.Status == http.StatusBadRequest {
		page.Message, status = told(presenter.Words, err), http.StatusBadRequest
	} else if err != nil {
		return err
	}
	if page.Erasing, err = s.erasingWords(r.Context(), presenter); err != nil {
		return err
	}
	if err := s.addChips(r.Context(), presenter, &page); err != nil {
		return err
	}
	return sendPage(w, r, status, "book.html", page)
}

// fillBook reads what the page shows: a year, or else visits, those of a day with
// its strip.
func (s *Server) fillBook(ctx context.Context, t view.Presenter, page *bookView, f store.Filter,
	from store.Cursor) (err error) {
	if page.Fields.Year != "" {
		page.Year, err = s.yearOf(ctx, t, page.Fields, f)
		return err
	}
	if page.Fields.Day != "" {
		if page.Strip, err = s.stripOf(ctx, t, page.Fields, &f); err != nil {
			return err
		}
	}
	found, err := s.Archive.Book(ctx, f, from, rowsOnPage)
	if err != nil {
		return err
	}
	page.Days = t.Book(found.Visits)
	if found.Newer != (store.Cursor{}) {
		page.Newer = page.Fields.address(found.Newer)
	}
	if found.Earlier != (store.Cursor{}) {
		page.Earlier = page.Fields.address(found.Earlier)
	}
	return nil
}

// addChips adds what can be chosen by a tap. Persons have the face that is on this
// page, if there is one.
func (s *Server) addChips(ctx context.Context, t view.Presenter, page *bookView) error {
	f, text := page.Fields, t.Words.Text
	today := t.Now.In(t.Zone)
	list := f.with("day", "").with("year", "")
	page.Views = []bookChip{
		{Name: text("book-list"), Address: list.address(store.Cursor{}), On: f.Day == "" && f.Year == ""},
		{Name: text("book-day"), Address: list.with("day", today.Format(time.DateOnly)).address(store.Cursor{}), On: f.Day != ""},
		{Name: text("book-year"), Address: list.with("year", today.Format("2006")).address(store.Cursor{}), On: f.Year != ""},
	}
	chip := func(name, field, value string) bookChip {
		c := bookChip{Name: name, On: *f.names()[field] == value}
		other := f.with(field, value)
		if c.On {
			other = f.with(field, "")
		}
		c.Address = other.address(store.Cursor{})
		return c
	}
	persons, err := s.Archive.Persons(ctx)
	if err != nil {
		return err
	}
	for _, p := range persons {
		if f.Name != "" && !nameBegins(p.Name, f.Name) && f.Person != p.ID {
			continue
		}
		c := chip(p.Name, "person", p.ID)
		c.Picture, c.Initial = faceOnPage(page.Days, p.ID), view.Initial(p.Name)
		page.Persons = append(page.Persons, c)
	}
	bells, err := s.Archive.Bells(ctx)
	if err != nil {
		return err
	}
	for _, b := range bells {
		if len(bells) > 1 || f.Bell != "" {
			page.Chips = append(page.Chips, chip(b.Name, "bell", b.Address))
		}
	}
	for _, k := range append([]house.Kind{house.Looking}, house.Kinds...) {
		page.Chips = append(page.Chips, chip(text("kinds-"+string(k)), "kind", string(k)))
	}
	page.Chips = append(page.Chips, chip(text("book-picture"), "picture", "true"), chip(text("tag-held"), "held", "true"))
	page.Hidden = f.with("name", "").hidden() // a place is of the book before the search
	if f.Filtered() {
		page.All = (bookFields{Day: f.Day, Year: f.Year}).address(store.Cursor{})
	}
	return nil
}

// hidden are the fields that have a value, for a form.
func (f bookFields) hidden() (fields []field) {
	for name, v := range f.names() {
		if *v != "" {
			fields = append(fields, field{name, *v})
		}
	}
	return fields
}

// Of is where a day is that is written as in "2031-05-04".
func (f bookFields) Of(date string) string {
	return f.with("from", "").with("until", "").with("day", date).address(store.Cursor{})
}

// Dated are the fields but for days, for the form that asks for those.
func (f bookFields) Dated() []field {
	return f.with("from", "").with("until", "").with("day", "").with("year", "").hidden()
}

// faceOnPage returns a picture of a person who is on the page by themselves.
func faceOnPage(days []view.BookDay, person string) view.Picture {
	for _, d := range days {
		for _, e := range d.Rows {
			if len(e.Persons) == 1 && e.Persons[0].Person == person && len(e.Faces) > 0 && !e.Persons[0].Warning.Picture() {
				return e.Faces[0]
			}
		}
	}
	return view.Picture{}
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

package web

import (
	"context"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/store"
	"lintel/web/view"
)

// facesAnHour is how many faces a day's strip shows of an hour; a link leads to the
// others.
const facesAnHour = 2

// A bookStrip is a day of the book: its rings along its hours.
type bookStrip struct {
	Name          string // of the day
	Rings         int
	Count         string
	Hours         []view.BookHour
	Before, After bookChip
}

// stripOf reads a day, and narrows the filter to it.
func (s *Server) stripOf(ctx context.Context, t view.Presenter, fields bookFields,
	f *store.Filter) (*bookStrip, error) {
	from, err := t.DayFrom(fields.Day)
	if err != nil {
		return nil, err
	}
	until, err := t.DayUntil(fields.Day)
	if err != nil {
		return nil, err
	}
	f.From, f.Until = from, until
	rings, err := s.Archive.Rings(ctx, *f)
	if err != nil {
		return nil, err
	}
	strip := &bookStrip{Name: t.BookDay(from), Rings: len(rings), Count: t.Words.Text("book-count", "Count", len(rings)),
		Hours: t.Hours(from, until)}
	turn := func(at time.Time, key string) bookChip {
		return bookChip{Name: t.Words.Text(key, "Day", t.Day(at)),
			Address: fields.with("day", at.Format(time.DateOnly)).address(store.Cursor{})}
	}
	noon := from.In(t.Zone).Add(12 * time.Hour) // of a day that may be an hour shorter or longer
	strip.Before, strip.After = turn(noon.AddDate(0, 0, -1), "book-day-before"), turn(noon.AddDate(0, 0, 1), "book-day-after")
	return strip, s.fillHours(ctx, t, strip.Hours, rings, fields)
}

// fillHours puts the rings, newest first, where they belong.
func (s *Server) fillHours(ctx context.Context, t view.Presenter, hours []view.BookHour, rings []store.Ring,
	fields bookFields) error {
	in := make(map[string]int) // the hour of each visit shown
	var shown []string
	h := len(hours) - 1
	for _, ring := range rings {
		for h > 0 && ring.At.Before(hours[h].From) {
			h--
		}
		if hours[h].Rings++; hours[h].Rings <= facesAnHour {
			in[ring.Visit] = h
			shown = append(shown, ring.Visit)
		}
	}
	visits, err := s.Archive.VisitsOfIDs(ctx, shown)
	if err != nil {
		return err
	}
	for _, v := range slices.Backward(visits) {
		hour := &hours[in[v.ID]]
		hour.Faces = append(hour.Faces, t.BookFace(v))
	}
	for i := range hours {
		hour := &hours[i]
		if hour.More = hour.Rings - len(hour.Faces); hour.More > 0 {
			hour.Rest = t.Words.Text("book-rest", "Count", hour.More, "Clock", hour.Clock)
			hour.Address = fields.address(store.CursorBefore(hour.Until)) + "#list"
		}
	}
	return nil
}

// A bookYear is a year of the book: how many visits each day had.
type bookYear struct {
	Count         string
	Weekdays      []string
	Months        []view.BookMonth
	Before, After *bookChip // nil where there is nothing

	toDay, ofDay string // what stands before a day and after it in its address
}

// Day is where a day of the year is.
func (y bookYear) Day(date string) string { return y.toDay + date + y.ofDay }

// yearOf counts the visits of a year by day.
func (s *Server) yearOf(ctx context.Context, t view.Presenter, fields bookFields, f store.Filter) (*bookYear, error) {
	from, err := t.DayFrom(fields.Year + "-01-01")
	if err != nil {
		return nil, err
	}
	if f.Until, err = t.DayUntil(fields.Year + "-12-31"); err != nil {
		return nil, err
	}
	f.From = from
	counts, err := s.Archive.Days(ctx, f, t.Zone)
	if err != nil {
		return nil, err
	}
	first, last, err := s.Archive.Span(ctx)
	if err != nil {
		return nil, err
	}
	number, all := from.In(t.Zone).Year(), 0
	for _, n := range counts {
		all += n
	}
	y := &bookYear{Months: t.Year(number, counts),
		Count: t.Words.Text("book-year-count", "Year", fields.Year, "Visits", t.Words.Text("book-count", "Count", all))}
	const noDay = "0000-00-00"
	y.toDay, y.ofDay, _ = strings.Cut(fields.with("year", "").with("day", noDay).address(store.Cursor{}), noDay)
	for i := range 7 {
		y.Weekdays = append(y.Weekdays, t.Words.Text("weekday-short-"+strconv.Itoa((i+1)%7)))
	}
	if number > first && first > 0 {
		y.Before = yearChip(fields, min(number-1, last))
	}
	if number < max(last, t.Now.In(t.Zone).Year()) {
		y.After = yearChip(fields, max(number+1, first))
	}
	return y, nil
}

func yearChip(fields bookFields, year int) *bookChip {
	name := strconv.Itoa(year)
	return &bookChip{Name: name, Address: fields.with("year", name).address(store.Cursor{})}
}

package view

import (
	"slices"
	"time"

	"lintel/internal/house"
)

// A BookDay is a day's visits in the visitor book, newest first.
type BookDay struct {
	Name string
	Rows []BookRow
}

// A BookRow is a visit as the book shows it.
type BookRow struct {
	Card
	Tags    []string // in a word each: what else to know
	Gone    string   // what became of the stills, if there is none to show
	Becomes []string // what becomes of the visit, when and why
}

// Book puts visits that are sorted by time under their days.
func (t Presenter) Book(visits []house.Visit) (days []BookDay) {
	for _, v := range visits {
		day := t.BookDay(v.ReceivedAt)
		if n := len(days); n == 0 || days[n-1].Name != day {
			days = append(days, BookDay{Name: day})
		}
		last := &days[len(days)-1]
		last.Rows = append(last.Rows, t.BookRow(v))
	}
	return days
}

// BookDay heads a day of the book.
func (t Presenter) BookDay(at time.Time) string {
	day, today := at.In(t.Zone).Format(time.DateOnly), t.Now.In(t.Zone)
	switch day {
	case today.Format(time.DateOnly):
		return t.Words.Text("day-today", "Day", t.Day(at))
	case today.AddDate(0, 0, -1).Format(time.DateOnly):
		return t.Words.Text("day-yesterday", "Day", t.Day(at))
	}
	return t.Day(at)
}

// BookRow is a visit as the book shows it.
func (t Presenter) BookRow(v house.Visit) BookRow {
	row := BookRow{Card: t.Card(v), Becomes: t.ScheduleWords(v)}
	if v.Parcel {
		row.Tags = append(row.Tags, t.Words.Text("tag-parcel"))
	}
	if slices.ContainsFunc(v.Stills, func(s house.Still) bool { return s.Damaged }) {
		row.Tags = append(row.Tags, t.Words.Text("tag-damaged"))
	}
	if t.Hold(v) != nil {
		row.Tags = append(row.Tags, t.Words.Text("tag-held"))
	}
	if row.Still == "" {
		row.Gone = t.Words.Text("book-still-gone")
		if slices.ContainsFunc(v.Stills, func(s house.Still) bool { return s.Lost }) {
			row.Gone = t.Words.Text("book-still-lost")
		}
	}
	return row
}

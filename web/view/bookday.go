package view

import (
	"time"

	"lintel/internal/house"
)

// A BookHour is an hour of a day, or the part of one where clocks are changed within
// it.
type BookHour struct {
	From, Until time.Time
	Clock       string // when it begins
	Rings       int
	Faces       []BookFace // of the newest, in the order of time
	Rest        string     // words for those that are not among Faces, "" without any
	More        int
	Address     string // of the list that begins with them
}

// A BookFace is a ring on a day's strip.
type BookFace struct {
	Address  string
	Time     string
	DateTime string
	Who      string
	Initial  string // where there is no picture
	Picture  Picture
}

// Hours are the hours of a day from its first moment to its last: 23 or 25 of them
// where clocks are changed.
func (t Presenter) Hours(from, until time.Time) (hours []BookHour) {
	for at := from.In(t.Zone); at.Before(until); {
		next := at.Add(time.Hour - time.Duration(at.Minute())*time.Minute - time.Duration(at.Second())*time.Second)
		if _, change := at.ZoneBounds(); !change.IsZero() && change.After(at) && change.Before(next) {
			next = change
		}
		hours = append(hours, BookHour{From: at, Until: next, Clock: t.Words.Clock(at)})
		at = next.In(t.Zone)
	}
	return hours
}

// BookFace is a visit on a day's strip.
func (t Presenter) BookFace(v house.Visit) BookFace {
	c := t.Card(v)
	f := BookFace{Address: VisitAddress(v.ID), Time: c.Time, DateTime: c.DateTime, Who: c.Headline}
	if len(c.Persons) > 0 {
		f.Who = c.Persons[0].Headline
		for _, p := range c.Persons[1:] {
			f.Who = t.Words.Text("book-and", "One", f.Who, "Other", p.Headline)
		}
		f.Initial = Initial(c.Persons[0].Name)
	}
	if faces := t.Faces(v, stripSide); len(faces) > 0 {
		f.Picture = faces[0]
	}
	return f
}

// Initial stands for the face of somebody of whom there is no picture.
func Initial(name string) string {
	for _, r := range name {
		return string(r)
	}
	return ""
}

// A BookMonth is a month of the heat calendar.
type BookMonth struct {
	Name   string
	Before []struct{} // one for each day of its first week before it, which begins on Monday
	Days   []BookCell
}

// A BookCell is a day of the heat calendar.
type BookCell struct {
	Day   int
	Count int
	Heat  int // 0 for none to 4 for as many as on the busiest day
	Date  string
	Says  string
}

// Year draws a year by its counts of visits, of days such as "2031-05-04".
func (t Presenter) Year(year int, counts map[string]int) (months []BookMonth) {
	most := 0
	for _, n := range counts {
		most = max(most, n)
	}
	said := make(map[int]string) // a year has few different counts
	for month := time.January; month <= time.December; month++ {
		first := time.Date(year, month, 1, 12, 0, 0, 0, t.Zone)
		m := BookMonth{Name: t.Words.Text("month-" + first.Format("1")), Before: make([]struct{}, (first.Weekday()+6)%7)}
		for at := first; at.Month() == month; at = at.AddDate(0, 0, 1) {
			cell := BookCell{Day: at.Day(), Date: at.Format(time.DateOnly)}
			if cell.Count = counts[cell.Date]; cell.Count > 0 {
				cell.Heat = 1 + 3*cell.Count/most
				if said[cell.Count] == "" {
					said[cell.Count] = t.Words.Text("book-count", "Count", cell.Count)
				}
				cell.Says = t.Words.Text("book-day-count", "Day", t.Day(at), "Visits", said[cell.Count])
			}
			m.Days = append(m.Days, cell)
		}
		months = append(months, m)
	}
	return months
}

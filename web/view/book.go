package view

import (
	"slices"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/review"
)

// A BookDay is a day's visits in the visitor book, newest first.
type BookDay struct {
	Name string
	Date string // as in "2031-05-04"
	Rows []BookEntry
}

// A BookEntry is a visit as a list shows it, faces first.
type BookEntry struct {
	Card
	Faces []Picture // some of those who rang
	More  int       // how many faces there are besides
	Tags  []string  // in a word each: what else to know
	Gone  string    // what became of the stills, if there is none to show
}

// A BookRow is a visit as its own page shows it.
type BookRow struct {
	Card
	Tags    []string // in a word each: what else to know
	Gone    string   // what became of the stills, if there is none to show
	Becomes []string // what becomes of the visit, when and why
}

// Book puts visits that are sorted by time under their days.
func (t Presenter) Book(visits []house.Visit) (days []BookDay) {
	for _, v := range visits {
		date := v.ReceivedAt.In(t.Zone).Format(time.DateOnly)
		if n := len(days); n == 0 || days[n-1].Date != date {
			days = append(days, BookDay{Name: t.BookDay(v.ReceivedAt), Date: date})
		}
		last := &days[len(days)-1]
		last.Rows = append(last.Rows, t.BookEntry(v))
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

// The sizes of pictures in the book, in points of the screen: of a face, of one among
// several and of those on a day's strip, and how many are shown of a visit.
const (
	faceSide   = 96
	stripSide  = 48
	facesShown = 3
)

// BookEntry is a visit as the book lists it.
func (t Presenter) BookEntry(v house.Visit) BookEntry {
	e := BookEntry{Card: t.Card(v), Tags: t.tags(v)}
	e.Faces = t.Faces(v, faceSide)
	if e.More = len(e.Faces) - facesShown; e.More > 0 {
		e.Faces = e.Faces[:facesShown]
	} else {
		e.More = 0
	}
	if len(e.Faces) == 0 {
		e.Gone = t.gone(v)
	}
	return e
}

// BookRow is a visit as its own page shows it.
func (t Presenter) BookRow(v house.Visit) BookRow {
	row := BookRow{Card: t.Card(v), Tags: t.tags(v), Becomes: t.ScheduleWords(v)}
	if row.Still == "" {
		row.Gone = t.gone(v)
	}
	return row
}

func (t Presenter) tags(v house.Visit) (tags []string) {
	for _, tag := range []struct {
		key   string
		holds bool
	}{
		{"tag-parcel", v.Parcel},
		{"tag-damaged", slices.ContainsFunc(v.Stills, func(s house.Still) bool { return s.Damaged })},
		{"tag-clock-doubted", v.ClockDoubted},
		{"tag-imported", !v.ImportedAt.IsZero()},
		{"tag-held", t.Hold(v) != nil},
	} {
		if tag.holds {
			tags = append(tags, t.Words.Text(tag.key))
		}
	}
	return tags
}

func (t Presenter) gone(v house.Visit) string {
	if slices.ContainsFunc(v.Stills, func(s house.Still) bool { return s.Lost }) {
		return t.Words.Text("book-still-lost")
	}
	return t.Words.Text("book-still-gone")
}

// Faces are pictures of those who rang, each once, as many points wide: of every
// person the largest face, then the strangers of the still that shows most of them.
// Of a visit without a face it is the still; none where the stills are gone.
func (t Presenter) Faces(v house.Visit, side int) (faces []Picture) {
	persons, _ := review.WhoRang(v)
	for _, p := range persons {
		var best Picture
		width := 0
		for _, s := range v.Stills {
			for i, f := range s.Faces {
				if s.File != "" && f.Whose() == p.Person && f.Width() > width {
					best, width = t.FaceOf(s, i, side), f.Width()
				}
			}
		}
		if best.Src != "" {
			faces = append(faces, best)
		}
	}
	faces = append(faces, t.strangers(v, persons, side)...)
	if best := bestStill(v.Stills); len(faces) == 0 && best >= 0 {
		if p := t.StillOf(v.Stills[best], side); p.Src != "" {
			faces = append(faces, p)
		}
	}
	return faces
}

// strangers are the faces of nobody known on the still that shows most of them.
func (t Presenter) strangers(v house.Visit, persons []review.Visitor, side int) (most []Picture) {
	for _, s := range v.Stills {
		var some []Picture
		for i, f := range s.Faces {
			known := slices.ContainsFunc(persons, func(p review.Visitor) bool { return p.Person == f.Whose() })
			if p := t.FaceOf(s, i, side); !known && !f.IsNone() && p.Src != "" {
				some = append(some, p)
			}
		}
		if len(some) > len(most) {
			most = some
		}
	}
	return most
}

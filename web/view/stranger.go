package view

import (
	"net/url"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/review"
)

// A Stranger is the visits that are probably one stranger's.
type Stranger struct {
	Address string // where to say who it is
	Words   string // how often the face rang, and since when
	Best    Crop
	Face    Picture  // the best, cut out; nothing where its still is gone
	Warning *Warning // of the best face; nil for nothing to warn of
	Visits  []StrangerVisit
	More    string // how many there are that are not listed
	rang    int    // on how many visits
}

// A StrangerVisit is one of a stranger's visits.
type StrangerVisit struct {
	ID, Address, When, Bell string
	Face                    Picture  // nothing where its still is gone
	Warning                 *Warning // of the face; nil for nothing to warn of
	Chosen                  bool
}

// A Crop is the part of a still around a face, in pixels of the still.
type Crop struct {
	Still         string // address; "" if it is gone
	Width, Height int    // of the still
	X, Y, Side    int
}

// CropOf is the part of a still around a face, twice as wide as the face.
func CropOf(s house.Still, f house.Face) Crop {
	middle, side := f.Box.Min.Add(f.Box.Max).Div(2), 2*max(f.Box.Dx(), f.Box.Dy())
	return Crop{StillAddress(s), s.Width, s.Height, middle.X - side/2, middle.Y - side/2, side}
}

// strangerSide is how wide and high faces of strangers are shown at the least, in
// points.
const strangerSide = 144

// Stranger shows a stranger's visits, without pictures.
func (t Presenter) Stranger(g review.Stranger) Stranger {
	s := Stranger{
		Address: "/people/strangers/" + url.PathEscape(g.Faces[0].ID) + "/person", Words: t.rang(g),
		Face: t.Portrait(g.Best(), strangerSide), Warning: t.Warning(g.Best().Face.Liveness),
		rang: g.SeenStranger.Visits,
	}
	for _, v := range g.Visits {
		s.Visits = append(s.Visits, StrangerVisit{
			ID: v.ID, Address: VisitAddress(v.ID), Bell: t.Words.Bell(v.Bell), When: t.dayAndTime(v.ReceivedAt),
			Face: t.Portrait(v.Faces[0], strangerSide), Warning: t.Warning(v.Faces[0].Face.Liveness),
		})
	}
	return s
}

// Shorten lists so many visits at most, and says how many more there are.
func (t Presenter) Shorten(s *Stranger, most int) {
	s.Visits = s.Visits[:min(most, len(s.Visits))]
	if n := s.rang - len(s.Visits); n > 0 {
		s.More = t.Words.Text("stranger-earlier", "Count", n)
	}
}

// rang says how often a face rang, and since when: today and this week, which
// begins on Monday, are those of the household's calendar.
func (t Presenter) rang(g review.Stranger) string {
	now, count := t.Now.In(t.Zone), g.SeenStranger.Visits
	today := time.Date(now.Year(), now.Month(), now.Day(), 0, 0, 0, 0, t.Zone)
	switch monday := today.AddDate(0, 0, -(int(now.Weekday())+6)%7); {
	case !g.First.Before(today):
		return t.Words.Text("stranger-rang-today", "Count", count)
	case !g.First.Before(monday):
		return t.Words.Text("stranger-rang-week", "Count", count)
	}
	return t.Words.Text("stranger-rang-since", "Count", count, "Day", t.Day(g.First))
}

// Waiting says that not all faces were compared yet, and how far that has come; "" where
// all were.
func (t Presenter) Waiting(w review.Waiting) string {
	switch {
	case !w.Any:
		return ""
	case w.Read < w.Of:
		return t.Words.Text("strangers-reading", "Read", w.Read, "Of", w.Of)
	}
	return t.Words.Text("strangers-comparing", "Count", w.Faces, "Of", w.Of)
}

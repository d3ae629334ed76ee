package view

import (
	"fmt"

	"lintel/internal/house"
	"lintel/pipeline/quality"
)

// A Still is a still on the page of a visit, with the faces that were found on
// it.
type Still struct {
	Frame         int
	Title         string
	Address       string // "" if it is gone
	Gone          string // what became of it
	Width, Height int
	Notes         []string
	Faces         []Face
}

// A Face is a face on the page of a visit: its outline in pixels of the still,
// and the finding.
type Face struct {
	Number        int
	X, Y          int
	Width, Height int
	LabelY        int
	LabelSize     int
	Person        string // id, "" for a stranger
	Name          string
	Band          string
	Odds          string
	Distance      string
	Words         string // how probable it is, in words; "" where that was not worked out
	Probability   string
	Frames        int    // of the ring that it was judged by, 1 or more
	Complaint     string // what is most wrong with its picture, a sentence
	Check         string // address to say whose it is, "" where that can't be asked
	Said          string // what a resident answered, "" if nobody did
	Outline       string // how it is outlined besides its band: a level that warns

	Warning  *Warning // nil for nothing to warn of
	Picture  string   // probability that it is a picture's
	JudgedOn int      // stills
	Signs    []Sign   // that were found
}

// Stills are those of a visit on its page.
func (t Presenter) Stills(v house.Visit) (stills []Still) {
	for i, s := range v.Stills {
		still := t.still(s)
		still.Title = t.Words.Text("visit-still", "Number", i+1, "Of", len(v.Stills))
		if !s.TakenAt.IsZero() {
			still.Title = t.Words.Text("visit-still-taken", "Number", i+1, "Of", len(v.Stills),
				"Time", t.second(s.TakenAt))
		}
		stills = append(stills, still)
	}
	return stills
}

func (t Presenter) still(s house.Still) Still {
	still := Still{Frame: s.Frame, Width: s.Width, Height: s.Height}
	switch {
	case s.File != "":
		still.Address = StillAddress(s)
	case s.Lost:
		still.Gone = t.Words.Text("visit-still-lost")
	default:
		still.Gone = t.Words.Text("visit-still-gone")
	}
	if s.Damaged {
		still.Notes = append(still.Notes, t.Words.Text("note-damaged"))
	}
	switch {
	case s.State == house.Pending:
		still.Notes = append(still.Notes, t.Words.Text("note-pending"))
	case s.State == house.Failed:
		still.Notes = append(still.Notes, t.Words.Text("note-failed"))
	case len(s.Faces) == 0:
		still.Notes = append(still.Notes, t.Words.Text("note-no-face"))
	}
	for i, f := range s.Faces {
		still.Faces = append(still.Faces, t.face(i+1, f, s))
	}
	return still
}

func (t Presenter) face(number int, f house.Face, s house.Still) Face {
	size := max(12, s.Width/24)
	face := Face{
		Number: number, X: f.Box.Min.X, Y: f.Box.Min.Y, Width: f.Box.Dx(), Height: f.Box.Dy(),
		LabelSize: size, LabelY: f.Box.Min.Y - size/4, Complaint: t.worst(f.Quality),
	}
	if face.LabelY < size { // no room above
		face.LabelY = f.Box.Max.Y + size
	}
	if m := f.Match; m != nil {
		face.Person, face.Name, face.Band, face.Frames = m.Person, m.Name, m.Band, max(m.Frames, 1)
		face.Odds, face.Distance = t.Words.Alike(m.FPIR), fmt.Sprintf("%.2f", m.Distance)
		if m.Probability > 0 {
			face.Words, face.Probability = t.Words.Probably(m.Name, m.Probability), t.Words.Probability(m.Probability)
		}
	}
	t.judged(&face, f.Liveness, s)
	return face
}

// worst says in a sentence what is most wrong with a face; "" for nothing.
func (t Presenter) worst(q *house.Quality) string {
	if q == nil {
		return ""
	}
	if _, complaints := quality.Judge(*q); len(complaints) > 0 {
		return t.Words.Complaint(complaints[0].Code, complaints[0].Value)
	}
	return ""
}

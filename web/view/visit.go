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
	Frames        int       // of the ring that it was judged by, 1 or more
	Complaint     string    // what is most wrong with its picture, a sentence
	Check         string    // address to compare it with whom it was taken for, "" where that can't be asked
	Said          string    // what a resident said, and beside it what was found; "" if nobody did
	NoFace        bool      // whether somebody said that it is none
	ThisIs        *FaceLink // to say whose it is, nil where the reader can't
	Undo          string    // address to take back what was said, "" where nothing was
	Portrait      Picture
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
	if more := s.Unlooked(); more > 0 {
		still.Notes = append(still.Notes, t.Words.Text("note-unlooked", "Count", more))
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
		if f.Recognised() == nil {
			face.Person, face.Name = "", ""
		}
		face.Odds, face.Distance = t.Words.Alike(m.FPIR), t.Words.Sprintf("%.2f", m.Distance)
		if m.Probability > 0 {
			face.Words, face.Probability = t.Words.Probably(m.Name, m.Probability), t.Words.Probability(m.Probability)
		}
	}
	if f.Said != nil {
		face.Said = t.Said(*f.Said, f.Match)
		face.Person, face.Name, face.NoFace = f.Said.Person, f.Said.Name, f.IsNone()
		if t.Resident {
			face.Undo = t.Undo(s, number-1)
		}
	}
	face.ThisIs, face.Portrait = t.ThisIs(s, number-1), t.FaceOf(s, number-1, 192)
	t.judged(&face, f.Liveness, s)
	return face
}

// A FaceLink leads to where something is done about one face; Of says which, for
// whoever hears the link alone.
type FaceLink struct{ Address, Of string }

// ThisIs is where a resident says whose a face of a still is, by its place there
// from 0 on; nil where the reader is none, or nothing is left to see.
func (t Presenter) ThisIs(s house.Still, face int) *FaceLink {
	if !t.Answers || s.File == "" || face < 0 || face >= len(s.Faces) {
		return nil
	}
	return &FaceLink{fmt.Sprintf("%s/faces/%d/%d/who", VisitAddress(s.Visit), s.Frame, face),
		t.Words.Text("this-is-of", "Face", face+1, "Still", s.Frame+1)}
}

// Undo is where it is taken back.
func (t Presenter) Undo(s house.Still, face int) string {
	return fmt.Sprintf("%s/faces/%d/%d/undo", VisitAddress(s.Visit), s.Frame, face)
}

// FaceAt is a face of a still, by its place there from 0 on.
func (t Presenter) FaceAt(s house.Still, face int) Face { return t.face(face+1, s.Faces[face], s) }

// Visitors are the faces of a visit to be seen first: of each person the largest,
// and those of strangers on the still that has the most of them.
func (t Presenter) Visitors(v house.Visit) (all []Face) {
	type place struct{ still, face int }
	of := make(map[string]place)
	var order []string
	var strangers []place
	for i, s := range v.Stills {
		var unknown []place
		for j, f := range s.Faces {
			who := f.Whose()
			at, seen := of[who]
			switch {
			case s.File == "" || f.IsNone():
			case who == "":
				unknown = append(unknown, place{i, j})
			case !seen:
				order, of[who] = append(order, who), place{i, j}
			case f.Width() > v.Stills[at.still].Faces[at.face].Width():
				of[who] = place{i, j}
			}
		}
		if len(unknown) > len(strangers) {
			strangers = unknown
		}
	}
	for _, who := range order {
		strangers = append([]place{of[who]}, strangers...)
	}
	for _, at := range strangers {
		s := v.Stills[at.still]
		face := t.face(at.face+1, s.Faces[at.face], s)
		face.Portrait = t.FaceOf(s, at.face, 384)
		all = append(all, face)
	}
	return all
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

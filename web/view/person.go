package view

import (
	"net/url"

	"lintel/internal/house"
	"lintel/pipeline/cluster"
	"lintel/pipeline/match"
	"lintel/pipeline/review"
)

// PersonAddress is where a person's page is.
func PersonAddress(id string) string { return "/people/" + url.PathEscape(id) }

// A Double is somebody with whom a person is easily confused.
type Double struct {
	cluster.Double
	Name string
	Face Portrait
}

// Doubles lists with whom a person is easily confused, by the distances between
// their references. Whoever has no name any more is left out.
func Doubles(person string, references []house.Reference, gallery *match.Gallery, names map[string]string,
) (doubles []Double) {
	for _, d := range cluster.Confusable(references, gallery.BandOf)[person] {
		if name := names[d.Person]; name != "" {
			doubles = append(doubles, Double{Double: d, Name: name})
		}
	}
	return doubles
}

// PicturesAddress is where pictures of a person are added.
func PicturesAddress(id string) string { return PersonAddress(id) + "/pictures" }

// A Reference is one picture that a person is known by.
type Reference struct {
	ID     string
	Number int    // from 1, in the order they came
	Src    string // address of the picture; "" where none is kept
	Made   string // where it is from, and when it was made
	Adds   string // how wide the face is, and what it adds to the others
	Remove string // where it is removed
}

// Enrolled shows a person's references in the order they came, and asks for further
// pictures where there are too few. The gallery is all that a face is compared with.
func (t Presenter) Enrolled(p house.Person, all []house.Enrolment, gallery []house.Reference, curve *match.Curve,
) (shown []Reference, more string) {
	for _, e := range all {
		gain := match.GainOf(e.Reference, gallery, curve)
		says := t.Words.Text("person-picture-only")
		if gain.Others > 0 {
			says = t.Words.Gain(p.Name, gain.Others, string(gain.Band), gain.FPIR)
		}
		r := Reference{ID: e.ID, Number: len(shown) + 1, Made: t.Words.Text("reference-unpictured", "Day", t.Day(e.AddedAt)),
			Adds:   t.Words.Text("person-picture", "Width", e.FaceWidth, "Adds", says),
			Remove: PersonAddress(p.ID) + "/references/" + url.PathEscape(e.ID) + "/remove"}
		if e.Portrait != nil {
			r.Src = t.portraitAddress(p.ID, e.ID)
			r.Made = t.Words.Text("reference-"+string(e.Portrait.Origin), "Day", t.Day(e.AddedAt))
		}
		shown = append(shown, r)
	}
	if len(shown) < match.EnoughPictures {
		more = t.Words.Text("pictures-more", "Name", p.Name)
	}
	return shown, more
}

// Known says by how many pictures a person is known, and whether that is enough.
func (t Presenter) Known(p house.Person, pictures int) string {
	switch {
	case p.Consent == nil:
		return t.Words.Text("person-unagreed", "Name", p.Name)
	case pictures == 0:
		return t.Words.Text("person-unknown", "Name", p.Name)
	case pictures < match.EnoughPictures:
		return t.Words.Text("person-known-some", "Count", pictures, "Name", p.Name, "Enough", match.EnoughPictures)
	}
	return t.Words.Text("person-known", "Count", pictures, "Name", p.Name)
}

// An Upload is what became of a file that was sent.
type Upload struct {
	Name   string // of the file
	Kept   bool   // whether it is a reference now
	Says   string
	Remedy string // what to do, where it is not
}

// A Candidate is a face on a visit that may make a reference.
type Candidate struct {
	ID, When string
	Face     Picture
	Visit    string // address of the visit
	Theirs   bool   // whether it is named as theirs, or said to be
	Fault    string // why it makes none, "" where it would
}

// Candidates shows faces of visits to choose from.
func (t Presenter) Candidates(all []review.Candidate) (shown []Candidate) {
	for _, c := range all {
		x := Candidate{ID: c.ID, Face: t.Portrait(c.Sighting, strangerSide), When: t.dayAndTime(c.ReceivedAt),
			Visit: VisitAddress(c.Visit), Theirs: c.Theirs}
		if c.Fault != nil {
			x.Fault = t.Words.Complaint(c.Fault.Code, c.Fault.Value)
		}
		shown = append(shown, x)
	}
	return shown
}

// WouldRemove says what removing a reference takes, where so many are left.
func (t Presenter) WouldRemove(p house.Person, r Reference, left int) []string {
	rest := t.Words.Text("reference-remove-last", "Name", p.Name)
	if left > 0 {
		rest = t.Words.Text("reference-remove-left", "Count", left, "Name", p.Name)
	}
	return []string{r.Made, t.Words.Text("reference-remove-goes"), rest, t.Words.Text("reference-remove-backup")}
}

// WouldErase says what erasing a person takes, with their visits or without, who
// is named on so many visits, some of them held.
func (t Presenter) WouldErase(p house.Person, visits, held int, withVisits bool) []string {
	says := []string{
		t.Words.Text("person-erase-face", "Count", p.References, "Name", p.Name),
		t.Words.Text("person-erase-rest", "Name", p.Name),
	}
	switch {
	case !withVisits && visits > 0:
		says = append(says, t.Words.Text("person-erase-stay", "Count", visits))
	case withVisits:
		says = append(says, t.Words.Text("person-erase-visits", "Count", visits-held))
	}
	if withVisits && held > 0 {
		says = append(says, t.Words.Text("person-erase-held", "Count", held))
	}
	return says
}

// WouldWithdraw says what withdrawing the consent of a person takes, who is named
// on so many visits.
func (t Presenter) WouldWithdraw(p house.Person, visits int) []string {
	says := []string{t.Words.Text("person-withdraw-face", "Count", p.References, "Name", p.Name)}
	if visits > 0 {
		says = append(says, t.Words.Text("person-withdraw-visits", "Count", visits))
	}
	return append(says, t.Words.Text("person-withdraw-stays", "Name", p.Name), t.Words.Text("person-withdraw-backup"))
}

// ErasedPerson says what erasing a person took.
func (t Presenter) ErasedPerson(visits, unnamed int) string {
	return sentences(t.Words.Text("people-erased"), t.Words.Text("people-erased-visits", "Count", visits),
		t.unnamed(unnamed))
}

// Withdrawn says what withdrawing a consent took.
func (t Presenter) Withdrawn(unnamed int) string {
	return sentences(t.Words.Text("person-withdrawn"), t.unnamed(unnamed))
}

// unnamed says how many visits lost a name, "" for none.
func (t Presenter) unnamed(visits int) string {
	if visits == 0 {
		return ""
	}
	return t.Words.Text("people-unnamed", "Count", visits)
}

// Introduced says what came of an introduction: of visits that were to name the
// person, if any, some do.
func (t Presenter) Introduced(references, named, of int) string {
	says := []string{t.Words.Text("person-enrolled", "Count", references)}
	if of > 0 {
		says = append(says, t.Words.Text("person-named", "Count", named))
	}
	if of > named {
		says = append(says, t.Words.Text("person-left", "Count", of-named))
	}
	return sentences(says...)
}

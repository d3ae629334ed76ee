package view

import (
	"net/url"

	"lintel/internal/house"
	"lintel/pipeline/cluster"
	"lintel/pipeline/match"
)

// PersonAddress is where a person's page is.
func PersonAddress(id string) string { return "/people/" + url.PathEscape(id) }

// A Double is somebody with whom a person is easily confused.
type Double struct {
	cluster.Double
	Name string
}

// Doubles lists with whom a person is easily confused, by the distances between
// their references. Whoever has no name any more is left out.
func Doubles(person string, references []house.Reference, gallery *match.Gallery, names map[string]string,
) (doubles []Double) {
	for _, d := range cluster.Confusable(references, gallery.BandOf)[person] {
		if name := names[d.Person]; name != "" {
			doubles = append(doubles, Double{d, name})
		}
	}
	return doubles
}

// Pictures say of each of a person's references how wide the face is and what it
// adds to the others. More asks for further ones, "" where there are enough.
func (t Presenter) Pictures(p house.Person, references []house.Reference, curve *match.Curve,
) (pictures []string, more string) {
	for _, r := range references {
		if r.Person != p.ID {
			continue
		}
		gain := match.GainOf(r, references, curve)
		says := t.Words.Text("person-picture-only")
		if gain.Others > 0 {
			says = t.Words.Gain(p.Name, gain.Others, string(gain.Band), gain.FPIR)
		}
		pictures = append(pictures, t.Words.Text("person-picture", "Width", r.FaceWidth, "Adds", says))
	}
	if len(pictures) < match.EnoughPictures {
		more = t.Words.Text("pictures-more", "Name", p.Name)
	}
	return pictures, more
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

package view

import (
	"cmp"
	"slices"

	"lintel/internal/house"
	"lintel/pipeline/review"
)

// SaidBy is who said something of a face.
func (t Presenter) SaidBy(said house.Said) string {
	if said.By == house.ByCommand || said.By == house.ByItself {
		return t.Words.Text("said-by-server")
	}
	return cmp.Or(said.ByName, t.Words.Text("said-by-gone"))
}

// Said says who said whose a face is, and beside it what was found, nil for a
// stranger's.
func (t Presenter) Said(said house.Said, found *house.Match) string {
	what := "person"
	switch {
	case said.Answer == house.AnswerNotFace:
		what = "no-face"
	case said.Answer == house.AnswerNo:
		what = "not"
	case said.Person == "":
		what = "stranger"
	}
	return sentences(t.Words.Text("said-"+what, "By", t.SaidBy(said)), t.found(said, found))
}

// found says what was found of a face that somebody spoke of.
func (t Presenter) found(said house.Said, found *house.Match) string {
	switch {
	case found == nil:
		return t.Words.Text("said-found-stranger")
	case found.Person == said.Person && found.Probability > 0:
		return t.Words.Text("said-found-same-sure", "Probability", t.Words.Probability(found.Probability))
	case found.Person == said.Person:
		return t.Words.Text("said-found-same")
	case found.Probability > 0:
		return t.Words.Text("said-found-sure", "Name", found.Name, "Probability",
			t.Words.Probability(found.Probability))
	}
	return t.Words.Text("said-found", "Name", found.Name)
}

// Marked says what was just said of a face, and what became of a reference.
func (t Presenter) Marked(said house.Said, reference review.Enrolment) string {
	says := t.Words.Text("who-marked-stranger")
	switch {
	case said.Answer == house.AnswerNotFace:
		says = t.Words.Text("who-marked-no-face")
	case said.Person != "":
		says = t.Words.Text("who-marked", "Name", said.Name)
	}
	if became, err := t.Words.Lookup("check-reference-" + string(reference)); err == nil {
		says = sentences(says, became)
	}
	return says
}

// denied says of each face that a resident called nobody's who is known what was
// said and found, each sentence once.
func (t Presenter) denied(v house.Visit) (says []string) {
	for _, s := range v.Stills {
		for _, f := range s.Faces {
			if f.Said == nil || f.Said.Person != "" {
				continue
			}
			if words := t.Said(*f.Said, f.Match); !slices.Contains(says, words) {
				says = append(says, words)
			}
		}
	}
	return says
}

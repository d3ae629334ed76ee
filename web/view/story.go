package view

import (
	"strings"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/pipeline/review"
)

// A StoryLine is one of the five that tell of a visit.
type StoryLine struct {
	Code string // its heading is story-CODE
	Says []string
}

// Story tells of a visit: when and where it rang, what was found, who it is, what
// advice was given and why, and when it goes.
func (t Presenter) Story(row BookRow) []StoryLine {
	rang := t.Words.Text("story-rang-at", "Moment", t.dayAndTime(row.ReceivedAt), "Bell", row.Card.Bell, "Count",
		len(row.Stills))
	var becomes []string
	for _, says := range row.Becomes {
		becomes = append(becomes, strings.TrimSuffix(says, ".")+".") // a short month ends with one
	}
	return []StoryLine{
		{"rang", []string{rang}},
		{"found", append(t.foundOn(row.Visit), row.Notes...)},
		{"who", t.whoOn(row)},
		{"why", t.whyOn(row)},
		{"goes", becomes},
	}
}

// foundOn says what was found on a visit, whatever somebody said since.
func (t Presenter) foundOn(v house.Visit) []string {
	found := v
	found.Stills = nil
	for _, s := range v.Stills {
		faces := append([]house.Face{}, s.Faces...)
		for i := range faces {
			faces[i].Said = nil
		}
		s.Faces = faces
		found.Stills = append(found.Stills, s)
	}
	var parts []string
	persons, strangers := review.WhoRang(found)
	for _, p := range persons {
		parts = append(parts, t.Words.Text("story-match", "Name", p.Name, "Match", t.Words.Text("matched-"+p.Band)))
	}
	if len(parts) == 0 && strangers > 0 {
		return []string{t.Words.Text("rang-strangers", "Count", strangers) + "."}
	}
	if strangers > 0 {
		parts = append(parts, t.Words.Text("story-strangers", "Count", strangers))
	}
	if len(parts) == 0 {
		return []string{t.Words.Text("outcome-" + string(review.OutcomeOf(found)))}
	}
	return []string{t.Words.Text("story-list", "List", t.Words.List(parts))}
}

// whoOn says who it is, as somebody said or else as was found.
func (t Presenter) whoOn(row BookRow) (says []string) {
	for _, p := range row.Persons {
		says = append(says, sentences(p.Headline+".", p.Said))
	}
	if row.Headline != "" {
		says = append(says, row.Headline)
	}
	if row.Also != "" {
		says = append(says, words.Capital(row.Also)+".")
	}
	return says
}

// whyOn says what advice was given, and what it lacked.
func (t Presenter) whyOn(row BookRow) (says []string) {
	if row.Advice == nil {
		return []string{t.Words.Text("story-no-advice")}
	}
	for _, d := range row.Advice.Advice {
		says = append(says, sentences(d.Headline+".", d.Became, d.Missing))
	}
	return says
}

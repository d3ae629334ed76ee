package view

import (
	"net/url"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/review"
)

// CheckAddress is where somebody says whose a face is.
func CheckAddress(face string) string { return "/checks/" + url.PathEscape(face) }

// CropAddress is where a face is seen, cut out of its still and aligned. It changes
// when another picture takes the still's place.
func CropAddress(x house.Sighting) string {
	return "/api/v1/checks/" + url.PathEscape(x.ID) + "/crop?of=" + x.File[:8]
}

// QueueAddress is where the doubtful visit after a place is shown.
func QueueAddress(after string) string {
	if after == "" {
		return "/checks"
	}
	return "/checks?" + url.Values{"after": {after}}.Encode()
}

// CropAddress is [CropAddress], for templates.
func (Presenter) CropAddress(x house.Sighting) string { return CropAddress(x) }

// Seen says where and when a face was seen.
func (t Presenter) Seen(x house.Sighting) string {
	return t.Words.Text("check-seen", "Bell", t.Words.Bell(x.Bell), "Moment", t.dayAndTime(x.ReceivedAt))
}

func (t Presenter) dayAndTime(at time.Time) string {
	return t.Words.Text("moment-on-day", "Day", t.Day(at), "Clock", t.Words.Clock(at))
}

// sentences stand one after the other.
func sentences(says ...string) string { return strings.TrimSpace(strings.Join(says, " ")) }

// Answered says what was answered, Saved that it was kept.
func (t Presenter) Answered(c house.Check, names map[string]string) string {
	code, name := answered(c, names)
	return t.Words.Text("check-said-"+code, "Name", name)
}

// Saved says what was kept, with what became of a reference.
func (t Presenter) Saved(c house.Check, names map[string]string, reference review.Enrolment) string {
	code, name := answered(c, names)
	says := t.Words.Text("check-saved-"+code, "Name", name)
	if reference == review.NotAsked {
		return says
	}
	became, err := t.Words.Lookup("check-reference-" + string(reference))
	if err != nil {
		return says // an address that somebody made up
	}
	return sentences(says, became)
}

// answered returns the code of an answer, and the name of whom it is about.
func answered(c house.Check, names map[string]string) (code, name string) {
	switch {
	case c.Answer == house.AnswerYes, c.Answer == house.AnswerNo:
		return string(c.Answer), names[c.Asked]
	case c.Answer == house.AnswerNotFace:
		return string(c.Answer), ""
	case c.Person == "":
		return "stranger", ""
	}
	return "yes", names[c.Person]
}

// WithoutName says what a visit is without the name that a face on it was given, by
// an answer.
func (t Presenter) WithoutName(d review.Doubt, v house.Visit, answer house.Answer) []string {
	if d.Band == "" {
		return []string{t.Words.Text("check-no-name")}
	}
	says := []string{t.Words.Text("check-name-goes", "Name", d.Name, "Seen", t.Seen(d.Sighting))}
	for i := range v.Stills {
		for j := range v.Stills[i].Faces {
			if f := &v.Stills[i].Faces[j]; f.ID == d.ID {
				f.Said = &house.Said{Answer: answer}
			}
		}
	}
	if persons, _ := review.WhoRang(v); len(persons) == 0 && v.Kind == house.Known {
		v.Kind = house.Stranger
		if review.OutcomeOf(v) == review.NoFace {
			v.Kind = house.NoFace
		}
		says = append(says, t.Words.Text("check-becomes-"+string(v.Kind)))
		for _, becomes := range t.ScheduleWords(v) {
			says = append(says, becomes+".")
		}
	}
	return says
}

package view

import (
	"testing"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/pipeline/review"
)

func TestAnswered(t *testing.T) {
	names := map[string]string{"a": "Ada Quill", "b": "Ben Orrin"}
	p := Presenter{Words: words.For("en")}
	for _, c := range []struct {
		check       house.Check
		said, saved string
	}{
		{house.Check{Answer: house.AnswerYes, Asked: "a", Person: "a"},
			"You said: it is Ada Quill", "Saved: this is Ada Quill."},
		{house.Check{Answer: house.AnswerNo, Asked: "a"}, "You said: it is not Ada Quill", "Saved: this is not Ada Quill."},
		{house.Check{Answer: house.AnswerElse, Asked: "a", Person: "b"},
			"You said: it is Ben Orrin", "Saved: this is Ben Orrin."},
		{house.Check{Answer: house.AnswerElse, Asked: "a"}, "You said: it is a stranger", "Saved: this is a stranger."},
		{house.Check{Answer: house.AnswerNotFace, Asked: "a"}, "You said: it is not a face", "Saved: this is not a face."},
	} {
		if got := p.Answered(c.check, names); got != c.said {
			t.Errorf("%+v: %q, want %q", c.check, got, c.said)
		}
		// What an address says besides is known, or nothing.
		for _, reference := range []review.Enrolment{review.NotAsked, "<b>", "x"} {
			if got := p.Saved(c.check, names, reference); got != c.saved {
				t.Errorf("%+v, %q: %q, want %q", c.check, reference, got, c.saved)
			}
		}
		for _, reference := range []review.Enrolment{review.Added, review.AlreadyThere, review.NoConsent, review.Poor,
			review.OfNobody} {
			if got := p.Saved(c.check, names, reference); len(got) <= len(c.saved) || got[:len(c.saved)] != c.saved {
				t.Errorf("%+v, %q: %q", c.check, reference, got)
			}
		}
	}
}

package house

import (
	"errors"
	"time"
)

// Errors of answers, to be tested for with errors.Is.
var (
	// ErrAnswered says that somebody answered before.
	ErrAnswered = errors.New("this face has been answered for already")
	// ErrStillGone says that nothing is left of a face to judge it by.
	ErrStillGone = errors.New("the still of this face is gone, and what described the face with it")
	// ErrPersonGone says that a person was erased, or is being erased.
	ErrPersonGone = errors.New("this person was erased meanwhile")
	// ErrFindingChanged says that a face is named otherwise than when it was shown.
	ErrFindingChanged = errors.New("the finding has changed since it was shown")
	// ErrBadAnswer says that an answer does not say what it has to.
	ErrBadAnswer = errors.New("this is no answer")
)

// An Answer is what a resident says of a face, when asked whether it is a
// person's.
type Answer string

const (
	AnswerYes     Answer = "yes"        // it is
	AnswerNo      Answer = "no"         // it is not, and whose it is remains open
	AnswerElse    Answer = "else"       // it is another person's, or a stranger's
	AnswerNotFace Answer = "not-a-face" // it is nobody's
)

// A Check is an answer that was given. It goes with its visit, with its face,
// and with the person whose it says the face is.
type Check struct {
	Face           string   // id
	With           []string // ids of faces on the visit that show the same, for whom it is given too
	Answer         Answer
	Asked          string    // the person asked about; "" where nobody was
	AskedDistance  float64   // from the face to that person, 0 without
	Instead        bool      // whether it takes the place of an earlier answer
	Person         string    // whose face it is; "" for a stranger's, nobody's or who knows whose
	PersonDistance float64   // from the face to that person, 0 without
	Distances      []float64 // where it is a stranger's, to every person; counted when given, and not kept
	By             string    // who answered, as in the audit trail; filled in when given
	At             time.Time
}

// Complete returns an error, ErrBadAnswer, that says what is missing or does not
// go together.
func (c Check) Complete() error {
	switch {
	case c.Face == "":
		return fault(ErrBadAnswer, "answer-face")
	case c.Asked == "" && c.Answer != AnswerElse && c.Answer != AnswerNotFace:
		return fault(ErrBadAnswer, "answer-whom")
	case c.Answer == AnswerYes && c.Person != c.Asked:
		return fault(ErrBadAnswer, "answer-yes")
	case c.Answer == AnswerElse && c.Person != "" && c.Person == c.Asked:
		return fault(ErrBadAnswer, "answer-else")
	case (c.Answer == AnswerNo || c.Answer == AnswerNotFace) && c.Person != "":
		return fault(ErrBadAnswer, "answer-nobody", "Answer", c.Answer)
	}
	switch c.Answer {
	case AnswerYes, AnswerNo, AnswerElse, AnswerNotFace:
		return nil
	}
	return fault(ErrBadAnswer, "answer-form")
}

// A Sighting is a face with where and when it was seen.
type Sighting struct {
	ID         string // of the face
	Face       Face
	Still      string // id
	File       string // of the still, "" once it is gone
	Frame      int
	Visit      string
	Bell       string
	ReceivedAt time.Time // of the visit
	Check      *Check    // nil if nobody answered
}

// Kept reports whether there is still something to judge the face by.
func (s Sighting) Kept() bool { return s.File != "" && s.Face.Descriptor != Descriptor{} }

// A Naming is a person who is named on a visit.
type Naming struct{ Visit, Person string }

// A Renaming names a face anew, from what it was to what it becomes, nil for a
// stranger's.
type Renaming struct {
	Face         string
	Was, Becomes *Match
}

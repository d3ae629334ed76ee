package web

import (
	"time"

	"lintel/internal/house"
	"lintel/pipeline/review"
	"lintel/web/view"
)

// The API's view of a visit. It is written out here, apart from the store's
// types, since programs in the house rely on it.
type visitJSON struct {
	ID         string    `json:"id"`
	Bell       string    `json:"bell"`      // its address
	BellName   string    `json:"bell_name"` // what it is called
	Ring       string    `json:"ring"`
	ReceivedAt time.Time `json:"received_at"`
	ImportedAt time.Time `json:"imported_at,omitzero"` // of an old one that was brought in
	// ClockDoubted says that received_at is by a clock that may have been wrong.
	ClockDoubted bool           `json:"clock_doubted,omitzero"`
	Revision     int64          `json:"revision"`
	Outcome      review.Outcome `json:"outcome"`
	Kind         house.Kind     `json:"kind"`
	Parcel       bool           `json:"parcel"`
	Stage        string         `json:"stage"`
	Fate         fateJSON       `json:"fate"`
	Hold         *holdJSON      `json:"hold"`
	ClockSkew    float64        `json:"clock_skew_s"` // seconds the bell's clock is ahead
	ClockOff     bool           `json:"clock_off"`    // whether that is over 30 s
	Stills       []stillJSON    `json:"stills"`
	Advice       []adviceJSON   `json:"advice"`
	Messages     []messageJSON  `json:"messages"` // to the bell's display, oldest first
}

// stages are the API's words for what is left of a visit.
var stages = map[house.Stage]string{house.Whole: "whole", house.Smaller: "smaller", house.OnlyFindings: "findings"}

type fateJSON struct {
	SmallerAt    time.Time    `json:"smaller_at,omitzero"`
	StillsGoneAt time.Time    `json:"stills_gone_at,omitzero"`
	GoesAt       time.Time    `json:"goes_at"`
	Rule         house.Kind   `json:"rule"`
	Period       house.Period `json:"period"`
}

type holdJSON struct {
	Reason   string    `json:"reason,omitempty"` // for residents
	PlacedAt time.Time `json:"placed_at"`
	EndsAt   time.Time `json:"ends_at"`
}

type stillJSON struct {
	Frame      int              `json:"frame"`
	Present    bool             `json:"present"`
	Lost       bool             `json:"lost"`
	Width      int              `json:"width"`
	Height     int              `json:"height"`
	Damaged    bool             `json:"damaged"`
	ReceivedAt time.Time        `json:"received_at"`
	TakenAt    time.Time        `json:"taken_at,omitzero"`
	State      house.StillState `json:"state"`
	Faces      []faceJSON       `json:"faces"`
	Unlooked   int              `json:"unlooked"` // how many more faces there seem to be
}

// A faceJSON's numbers are pixels of the still.
type faceJSON struct {
	X         int           `json:"x"`
	Y         int           `json:"y"`
	Width     int           `json:"width"`
	Height    int           `json:"height"`
	Landmarks []house.Point `json:"landmarks"`
	Quality   *qualityJSON  `json:"quality"`
	Liveness  *livenessJSON `json:"liveness,omitempty"` // left out where it was not judged
	Match     *matchJSON    `json:"match"`              // as it was found
	Said      *saidJSON     `json:"said,omitempty"`     // as a resident said, which counts; left out where nobody did
}

// A saidJSON is what a resident said of a face.
type saidJSON struct {
	Answer house.Answer `json:"answer"`
	Person string       `json:"person"` // "" for a stranger's or nobody's
	Name   string       `json:"name"`
	SaidBy string       `json:"said_by"` // "" for who is no longer there
	At     time.Time    `json:"at"`
}

type matchJSON struct {
	Person   string  `json:"person"`
	Name     string  `json:"name"`
	Distance float64 `json:"distance"`
	FPIR     float64 `json:"fpir"`
	Band     string  `json:"band"`
	// Probability is left out where it was not worked out.
	Probability float64 `json:"probability,omitempty"`
	Frames      int     `json:"frames,omitempty"`
}

func newVisitJSON(t view.Presenter, v house.Visit) visitJSON {
	skew, fate := v.ClockSkew(), t.Schedule(v)
	j := visitJSON{
		ID: v.ID, Bell: v.Bell, BellName: t.Words.Bell(v.Bell), Ring: v.Ring, ReceivedAt: v.ReceivedAt,
		ImportedAt: v.ImportedAt, ClockDoubted: v.ClockDoubted, Revision: v.Revision,
		Outcome: review.OutcomeOf(v), Kind: v.Kind, Parcel: v.Parcel, Stage: stages[v.Stage],
		Fate:      fateJSON{fate.SmallerAt.UTC(), fate.StillsAt.UTC(), fate.GoesAt.UTC(), fate.Rule, fate.Period},
		ClockSkew: skew.Seconds(), ClockOff: skew.Abs() > view.ClockOff, Stills: []stillJSON{}, Advice: []adviceJSON{},
		Messages: []messageJSON{},
	}
	if h := t.Hold(v); h != nil {
		j.Hold = &holdJSON{PlacedAt: h.PlacedAt, EndsAt: h.EndsAt}
		if t.Resident {
			j.Hold.Reason = h.Reason
		}
	}
	for _, s := range v.Stills {
		still := stillJSON{s.Frame, s.File != "", s.Lost, s.Width, s.Height, s.Damaged, s.ReceivedAt, s.TakenAt, s.State,
			[]faceJSON{}, s.Unlooked()}
		for _, f := range s.Faces {
			face := faceJSON{f.Box.Min.X, f.Box.Min.Y, f.Box.Dx(), f.Box.Dy(), append([]house.Point{}, f.Landmarks...),
				newQualityJSON(t.Words, f.Quality), newLivenessJSON(t.Words, f.Liveness), nil, nil}
			if m := f.Match; m != nil {
				face.Match = &matchJSON{m.Person, m.Name, m.Distance, m.FPIR, m.Band, m.Probability, m.Frames}
			}
			if x := f.Said; x != nil {
				face.Said = &saidJSON{x.Answer, x.Person, x.Name, x.ByName, x.At}
			}
			still.Faces = append(still.Faces, face)
		}
		j.Stills = append(j.Stills, still)
	}
	for _, d := range t.Advice[v.ID] {
		j.Advice = append(j.Advice, newAdviceJSON(t, d))
	}
	for _, m := range v.Messages {
		j.Messages = append(j.Messages, newMessageJSON(m, t.Resident))
	}
	return j
}

package web

import (
	"time"

	"lintel/internal/house"
	"lintel/pipeline/review"
)

// The API's view of a visit. It is written out here, apart from the store's
// types, since programs in the house rely on it.
type visitJSON struct {
	ID         string         `json:"id"`
	Bell       string         `json:"bell"`
	Ring       string         `json:"ring"`
	ReceivedAt time.Time      `json:"received_at"`
	Revision   int64          `json:"revision"`
	Outcome    review.Outcome `json:"outcome"`
	Kind       house.Kind     `json:"kind"`
	Parcel     bool           `json:"parcel"`
	Stage      string         `json:"stage"`
	Fate       fateJSON       `json:"fate"`
	Hold       *holdJSON      `json:"hold"`
	ClockSkew  float64        `json:"clock_skew_s"` // seconds the bell's clock is ahead
	ClockOff   bool           `json:"clock_off"`    // whether that is over 30 s
	Stills     []stillJSON    `json:"stills"`
	Advice     []adviceJSON   `json:"advice"`
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
	Match     *matchJSON    `json:"match"`
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

func (t presenter) visitJSON(v house.Visit) visitJSON {
	skew, fate := v.ClockSkew(), t.Schedule(v)
	j := visitJSON{
		ID: v.ID, Bell: v.Bell, Ring: v.Ring, ReceivedAt: v.ReceivedAt, Revision: v.Revision,
		Outcome: review.OutcomeOf(v), Kind: v.Kind, Parcel: v.Parcel, Stage: stages[v.Stage],
		Fate:      fateJSON{fate.SmallerAt.UTC(), fate.StillsAt.UTC(), fate.GoesAt.UTC(), fate.Rule, fate.Period},
		ClockSkew: skew.Seconds(), ClockOff: skew.Abs() > maxSkew, Stills: []stillJSON{}, Advice: []adviceJSON{},
	}
	if h := t.Hold(v); h != nil {
		j.Hold = &holdJSON{PlacedAt: h.PlacedAt, EndsAt: h.EndsAt}
		if t.Resident {
			j.Hold.Reason = h.Reason
		}
	}
	for _, s := range v.Stills {
		still := stillJSON{s.Frame, s.File != "", s.Lost, s.Width, s.Height, s.Damaged, s.ReceivedAt, s.TakenAt, s.State,
			[]faceJSON{}}
		for _, f := range s.Faces {
			face := faceJSON{f.Box.Min.X, f.Box.Min.Y, f.Box.Dx(), f.Box.Dy(), append([]house.Point{}, f.Landmarks...),
				newQualityJSON(f.Quality), newLivenessJSON(f.Liveness), nil}
			if m := f.Match; m != nil {
				face.Match = &matchJSON{m.Person, m.Name, m.Distance, m.FPIR, m.Band, m.Probability, m.Frames}
			}
			still.Faces = append(still.Faces, face)
		}
		j.Stills = append(j.Stills, still)
	}
	for _, d := range t.Advice[v.ID] {
		j.Advice = append(j.Advice, t.adviceJSON(d))
	}
	return j
}

package web

import (
	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/pipeline/liveness"
	"lintel/pipeline/quality"
)

// A qualityJSON is what was measured of a face, and what that is worth.
type qualityJSON struct {
	house.Quality
	Score      float64         `json:"score"`
	Poor       bool            `json:"poor"`
	Complaints []complaintJSON `json:"complaints"`
}

type complaintJSON struct {
	Code string `json:"code"`
	Says string `json:"says"`
}

// newQualityJSON returns nil where nothing was measured, or it went with the still.
func newQualityJSON(w words.Words, q *house.Quality) *qualityJSON {
	if q == nil {
		return nil
	}
	score, complaints := quality.Judge(*q)
	j := &qualityJSON{*q, score, quality.Poor(*q), []complaintJSON{}}
	for _, c := range complaints {
		j.Complaints = append(j.Complaints, complaintJSON{c.Code, w.Complaint(c.Code, c.Value)})
	}
	return j
}

// A livenessJSON is how a face was judged, as programs see it.
type livenessJSON struct {
	Level       house.LivenessLevel `json:"level"`
	Probability float64             `json:"probability"`
	Frames      int                 `json:"frames"`
	CantTell    []string            `json:"cant_tell"`
	Says        string              `json:"says"`
	Findings    []signJSON          `json:"findings"`
}

// A signJSON is one finding. Region is in pixels of the still.
type signJSON struct {
	Sign    string       `json:"sign"`
	Name    string       `json:"name"`
	Score   float64      `json:"score"`
	Values  []float64    `json:"values"`
	Says    string       `json:"says"`
	Region  [][2]float64 `json:"region"`
	Missing string       `json:"missing,omitempty"`
}

// newLivenessJSON returns nil for a face that was not judged.
func newLivenessJSON(w words.Words, l *house.Liveness) *livenessJSON {
	if l == nil {
		return nil
	}
	j := &livenessJSON{l.Level, l.Probability, l.Frames, append([]string{}, l.CantTell...),
		w.Reasons(liveness.Warning(*l)), []signJSON{}}
	for _, f := range l.Findings {
		s := signJSON{f.Sign, w.Sign(f.Sign), f.Score, append([]float64{}, f.Values...), w.Reasons(liveness.Reasons(f)),
			[][2]float64{}, f.Missing}
		for _, p := range f.Region {
			s.Region = append(s.Region, [2]float64{p.X, p.Y})
		}
		j.Findings = append(j.Findings, s)
	}
	return j
}

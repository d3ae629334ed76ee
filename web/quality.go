package web

import (
	"lintel/internal/house"
	"lintel/internal/words"
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
func newQualityJSON(q *house.Quality) *qualityJSON {
	if q == nil {
		return nil
	}
	score, complaints := quality.Judge(*q)
	j := &qualityJSON{*q, score, quality.Poor(*q), []complaintJSON{}}
	for _, c := range complaints {
		j.Complaints = append(j.Complaints, complaintJSON{c.Code, complaintWords(c)})
	}
	return j
}

func complaintWords(c quality.Complaint) string { return words.For(language).Complaint(c.Code, c.Value) }

// worstOf says in a sentence what is most wrong with a face; "" for nothing.
func worstOf(q *house.Quality) string {
	if q == nil {
		return ""
	}
	if _, complaints := quality.Judge(*q); len(complaints) > 0 {
		return complaintWords(complaints[0])
	}
	return ""
}

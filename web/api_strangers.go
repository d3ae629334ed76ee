package web

import (
	"context"
	"errors"
	"net/http"
	"time"

	"lintel/internal/words"
	"lintel/pipeline/cluster"
	"lintel/pipeline/review"
)

// An introduced is what came of an introduction.
type introduced struct {
	Person     personJSON `json:"person"`
	References int        `json:"references"` // enrolled
	Named      int        `json:"named"`      // visits that name the person now
	Of         int        `json:"of"`         // visits that were to
}

// postIntroduction is the API's way to make a person of a stranger.
func (s *Server) postIntroduction(w http.ResponseWriter, r *http.Request) error {
	var form review.Introduction
	if err := bodyJSON(w, r, &form); err != nil {
		return err
	}
	done, err := s.review.Introduce(context.WithoutCancel(r.Context()), r.PathValue("stranger"), form)
	if err != nil {
		return refusedIntroduction(err)
	}
	person, err := s.weighed(r.Context(), done.Person)
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusCreated, introduced{person, done.References, done.Named, done.Of})
}

// A strangerJSON is a group as the API has it.
type strangerJSON struct {
	ID     string             `json:"id"` // one of its faces'; any will do
	First  time.Time          `json:"first"`
	Last   time.Time          `json:"last"`
	Rang   int                `json:"rang"`   // on how many visits
	Visits []strangerSeenJSON `json:"visits"` // the latest of them
}

type strangerSeenJSON struct {
	Visit      string              `json:"visit"`
	Bell       string              `json:"bell"`
	ReceivedAt time.Time           `json:"received_at"`
	Faces      []strangersFaceJSON `json:"faces"`
}

// A strangersFaceJSON's numbers are pixels of the still.
type strangersFaceJSON struct {
	ID     string `json:"id"`
	Frame  int    `json:"frame"`
	X      int    `json:"x"`
	Y      int    `json:"y"`
	Width  int    `json:"width"`
	Height int    `json:"height"`

	Liveness *livenessJSON `json:"liveness,omitempty"`
}

func (s *Server) listStrangers(w http.ResponseWriter, r *http.Request) error {
	limit, ok := number(r, "limit", 20, 100)
	if !ok {
		return queryProblem("problem-query-limit-cursor")
	}
	seen, err := s.review.SeenAgain(r.Context(), r.URL.Query().Get("cursor"), int(limit))
	if errors.Is(err, review.ErrBadCursor) {
		return queryProblem("problem-query-limit-cursor")
	}
	if err != nil {
		return err
	}
	answer := struct {
		FMR       float64        `json:"fmr"`
		Distance  float64        `json:"distance"`
		Strangers []strangerJSON `json:"strangers"`
		Next      string         `json:"next,omitempty"`
		Waiting   int            `json:"waiting,omitempty"` // faces that were not compared with all others yet
	}{cluster.FMR, seen.Distance, []strangerJSON{}, seen.Next, seen.Waiting.Faces}
	for _, g := range seen.Strangers {
		answer.Strangers = append(answer.Strangers, strangerJSONOf(speak(languageOf(r)), g))
	}
	return sendJSON(w, http.StatusOK, answer)
}

func strangerJSONOf(w words.Words, g review.Stranger) strangerJSON {
	j := strangerJSON{ID: g.Faces[0].ID, First: g.First, Last: g.Last, Rang: g.SeenStranger.Visits}
	for _, v := range g.Visits {
		seen := strangerSeenJSON{Visit: v.ID, Bell: v.Bell, ReceivedAt: v.ReceivedAt}
		for _, f := range v.Faces {
			b, liveness := f.Face.Box, newLivenessJSON(w, f.Face.Liveness)
			seen.Faces = append(seen.Faces, strangersFaceJSON{f.ID, f.Frame, b.Min.X, b.Min.Y, b.Dx(), b.Dy(), liveness})
		}
		j.Visits = append(j.Visits, seen)
	}
	return j
}

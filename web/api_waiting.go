package web

import (
	"context"
	"net/http"
	"time"

	"lintel/internal/house"
)

// waitingJSON is what waits for a resident's word.
type waitingJSON struct {
	Clock house.ClockDoubt `json:"clock,omitempty"` // why it is doubted
	Sweep *sweepJSON       `json:"sweep,omitempty"`
	Aside *asideJSON       `json:"aside,omitempty"`
}

type sweepJSON struct {
	Due   int       `json:"due"`
	Usual int       `json:"usual"`
	Until time.Time `json:"until"`
}

type asideJSON struct {
	Stills int       `json:"stills"`
	Bytes  int64     `json:"bytes"`
	First  time.Time `json:"first"`
	Last   time.Time `json:"last"`
}

func (s *Server) waiting(ctx context.Context) (j waitingJSON, err error) {
	j.Clock = s.Archive.ClockDoubt()
	sweep, waits, err := s.Archive.WaitingSweep(ctx)
	if err != nil {
		return j, err
	}
	if waits {
		j.Sweep = &sweepJSON{sweep.Due, sweep.Usual, sweep.Until}
	}
	aside, err := s.Archive.Aside()
	if err == nil && aside.Files > 0 {
		j.Aside = &asideJSON{aside.Files, aside.Bytes, aside.First.UTC(), aside.Last.UTC()}
	}
	return j, err
}

func (s *Server) getWaiting(w http.ResponseWriter, r *http.Request) error {
	return s.answerWaiting(w, r, nil)
}

// answerWaiting answers with what waits now, unless there is an error.
func (s *Server) answerWaiting(w http.ResponseWriter, r *http.Request, err error) error {
	if err != nil {
		return err
	}
	j, err := s.waiting(r.Context())
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, j)
}

func (s *Server) postTrustClock(w http.ResponseWriter, r *http.Request) error {
	return s.answerWaiting(w, r, s.Archive.TrustClock(r.Context()))
}

func (s *Server) postAllowSweep(w http.ResponseWriter, r *http.Request) error {
	err := s.Archive.AllowSweep(r.Context())
	if err == nil {
		s.erased()
	}
	return s.answerWaiting(w, r, err)
}

func (s *Server) postTakeAside(w http.ResponseWriter, r *http.Request) error {
	_, err := s.Archive.TakeAsideIn(r.Context())
	return s.answerWaiting(w, r, err)
}

func (s *Server) deleteAside(w http.ResponseWriter, r *http.Request) error {
	_, err := s.Archive.DropAside(r.Context())
	return s.answerWaiting(w, r, err)
}

func (s *Server) postExamine(w http.ResponseWriter, r *http.Request) error {
	return s.afterChange(w, r, s.Archive.TryVisitAgain(r.Context(), r.PathValue("visit")))
}

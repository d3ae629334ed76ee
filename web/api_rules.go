package web

import (
	"net/http"
	"time"

	"lintel/internal/house"
)

func (s *Server) getRules(w http.ResponseWriter, r *http.Request) error {
	rules, err := s.rulesAsSent(r)
	if err != nil {
		return err
	}
	return sendTagged(w, rules)
}

// rulesAsSent are the rules as programs get them.
func (s *Server) rulesAsSent(r *http.Request) (house.Rules, error) {
	rules, err := s.Archive.Rules(r.Context())
	if rules.Quiet == nil {
		rules.Quiet = []house.Quiet{}
	}
	return rules, toShow(err)
}

func (s *Server) putRules(w http.ResponseWriter, r *http.Request) error {
	var rules house.Rules
	if err := bodyJSON(w, r, &rules); err != nil {
		return err
	}
	s.deciding.Lock()
	defer s.deciding.Unlock()
	now, err := s.rulesAsSent(r)
	if err == nil {
		err = ifMatch(r, now)
	}
	if err != nil {
		return err
	}
	if err := s.Archive.SetRules(r.Context(), rules); err != nil {
		return err
	}
	return s.getRules(w, r)
}

func (s *Server) postPreview(w http.ResponseWriter, r *http.Request) error {
	var rules house.Rules
	if err := bodyJSON(w, r, &rules); err != nil {
		return err
	}
	goes, err := s.Archive.Preview(r.Context(), rules)
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, struct {
		Kinds map[house.Kind]house.Swept `json:"kinds"`
	}{goes})
}

// The API's view of a hold, in the list of all.
type placedHoldJSON struct {
	Visit    string    `json:"visit"`
	Reason   string    `json:"reason"`
	PlacedAt time.Time `json:"placed_at"`
	EndsAt   time.Time `json:"ends_at"`
}

func (s *Server) listHolds(w http.ResponseWriter, r *http.Request) error {
	holds, err := s.Archive.Holds(r.Context())
	if err != nil {
		return err
	}
	answer := struct {
		Holds []placedHoldJSON `json:"holds"`
	}{[]placedHoldJSON{}}
	for _, h := range holds {
		answer.Holds = append(answer.Holds, placedHoldJSON(h))
	}
	return sendJSON(w, http.StatusOK, answer)
}

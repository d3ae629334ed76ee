package web

import (
	"errors"
	"net/http"
	"strings"

	"lintel/internal/house"
	"lintel/pipeline/advice/policy"
	"lintel/web/view"
)

func (s *Server) listDoors(w http.ResponseWriter, r *http.Request) error {
	doors, err := s.Archive.Doors(r.Context())
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, struct {
		Doors []house.Door `json:"doors"`
	}{append([]house.Door{}, doors...)})
}

// postDoor and putDoor add a door and change one, for programs.
func (s *Server) postDoor(w http.ResponseWriter, r *http.Request) error {
	return s.keepDoor(w, r, http.StatusCreated)
}

func (s *Server) putDoor(w http.ResponseWriter, r *http.Request) error {
	return s.keepDoor(w, r, http.StatusOK)
}

func (s *Server) keepDoor(w http.ResponseWriter, r *http.Request, status int) error {
	_, all, err := s.doorOf(r)
	if err != nil {
		return absent(err, errNoDoor)
	}
	var door house.Door
	if err := bodyJSON(w, r, &door); err != nil {
		return err
	}
	door.ID = r.PathValue("door")
	door.Name = strings.TrimSpace(door.Name)
	if err := checkDoor(door, all); err != nil {
		return unfit("bad-door", err)
	}
	if !tellable(door.Tell) {
		return unfit("bad-door", errDoorTell)
	}
	if door.ID, err = s.Archive.SetDoor(r.Context(), door); errors.Is(err, house.ErrNotFound) {
		return unfit("bad-door", errDoorBell)
	} else if err != nil {
		return err
	}
	return sendJSON(w, status, door)
}

func (s *Server) deleteDoor(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.RemoveDoor(r.Context(), r.PathValue("door")); err != nil {
		return absent(err, errNoDoor)
	}
	return s.listDoors(w, r)
}

// A doorRuleJSON is the API's view of a rule: what it says in words besides. Of
// what is sent, id and says are passed over.
type doorRuleJSON struct {
	house.DoorRule
	Days []bool `json:"days"` // one too many, or too few, is noticed
	Says string `json:"says"`
}

func newDoorRuleJSON(b view.RuleBook, rule house.DoorRule) doorRuleJSON {
	rule.Factors = append([]house.FactorKind{}, rule.Factors...)
	return doorRuleJSON{rule, rule.Days[:], b.Says(rule)}
}

type conflictJSON struct {
	Rules [2]string           `json:"rules"`
	Kind  policy.ConflictKind `json:"kind"`
	Says  string              `json:"says"`
}

// rule returns what was sent, with another id.
func (j doorRuleJSON) rule(id string) (house.DoorRule, error) {
	rule := j.DoorRule
	rule.ID = id
	if len(j.Days) != len(rule.Days) {
		return rule, errSevenDays
	}
	copy(rule.Days[:], j.Days)
	return rule, nil
}

func (s *Server) listDoorRules(w http.ResponseWriter, r *http.Request) error {
	book, err := s.ruleBook(r.Context())
	if err != nil {
		return err
	}
	answer := struct {
		Rules     []doorRuleJSON `json:"rules"`
		Conflicts []conflictJSON `json:"conflicts"`
	}{[]doorRuleJSON{}, []conflictJSON{}}
	for _, rule := range book.Rules {
		answer.Rules = append(answer.Rules, newDoorRuleJSON(book, rule))
	}
	for _, c := range book.Conflicts() {
		answer.Conflicts = append(answer.Conflicts, conflictJSON{c.Rules, c.Kind, c.Says})
	}
	return sendJSON(w, http.StatusOK, answer)
}

// postDoorRule and putDoorRule add a rule and change one, for programs.
func (s *Server) postDoorRule(w http.ResponseWriter, r *http.Request) error {
	return s.keepDoorRule(w, r, http.StatusCreated)
}

func (s *Server) putDoorRule(w http.ResponseWriter, r *http.Request) error {
	return s.keepDoorRule(w, r, http.StatusOK)
}

func (s *Server) keepDoorRule(w http.ResponseWriter, r *http.Request, status int) error {
	book, err := s.ruleBook(r.Context())
	id := r.PathValue("rule")
	if err == nil && id != "" {
		_, err = book.Find(id)
	}
	if err != nil {
		return absent(err, errNoRule)
	}
	var sent doorRuleJSON
	if err := bodyJSON(w, r, &sent); err != nil {
		return err
	}
	rule, err := sent.rule(id)
	if err == nil {
		_, err = book.Check(rule)
	}
	if err != nil {
		return unfit("bad-door-rule", err)
	}
	if rule.ID, err = s.Archive.SetDoorRule(r.Context(), rule); err != nil {
		return absent(err, errNoRule)
	}
	return sendJSON(w, status, newDoorRuleJSON(book, rule))
}

func (s *Server) deleteDoorRule(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.RemoveDoorRule(r.Context(), r.PathValue("rule")); err != nil {
		return absent(err, errNoRule)
	}
	return s.listDoorRules(w, r)
}

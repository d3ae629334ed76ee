package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"

	"lintel/internal/house"
	"lintel/store"
	"lintel/web/view"
)

// What can be wrong with a door.
var (
	errDoorTwice error = house.Refusal("door-twice")
	errDoorBell  error = house.Refusal("door-bell")
	errDoorKind  error = house.Refusal("door-kind")
	errDoorTell  error = house.Refusal("door-tell")
)

type adviceDoorView struct {
	Bar   barView
	Door  house.Door // as typed, or as it is; without an id where there is none yet
	Bells []house.Bell
	Wrong wrongs

	Conflict *conflict
	Revision string // that the form began from
}

func doorAddress(id string) string { return "/rules/advice/doors/" + url.PathEscape(id) }

// doorOf returns the door that a request is about, and all doors; a door without
// an id where it is about a new one. The error is house.ErrNotFound.
func (s *Server) doorOf(r *http.Request) (d house.Door, all []house.Door, err error) {
	if all, err = s.Archive.Doors(r.Context()); err != nil {
		return d, nil, err
	}
	id := r.PathValue("door")
	if id == "" {
		return d, all, nil
	}
	d, ok := view.DoorOf(all, id)
	if !ok {
		return d, all, fmt.Errorf("door %s: %w", id, house.ErrNotFound)
	}
	return d, all, nil
}

func (s *Server) showAdviceDoor(w http.ResponseWriter, r *http.Request) error {
	door, _, err := s.doorOf(r)
	if err != nil {
		return absent(err, errNoDoor)
	}
	revision, err := revisionOf(door)
	if err != nil {
		return err
	}
	return s.drawDoor(w, r, http.StatusOK, adviceDoorView{Door: door, Revision: revision})
}

func (s *Server) drawDoor(w http.ResponseWriter, r *http.Request, status int, page adviceDoorView) error {
	var err error
	if page.Bells, err = s.Archive.Bells(r.Context()); err != nil {
		return err
	}
	page.Bar = barOf(r, speak(languageOf(r)).Text("door-title"))
	return sendPage(w, r, status, "advice-door.html", page)
}

// submitDoor adds a door or changes one, by what was typed.
func (s *Server) submitDoor(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	s.deciding.Lock()
	defer s.deciding.Unlock()
	now, all, err := s.doorOf(r)
	if err != nil {
		return absent(err, errNoDoor)
	}
	page := adviceDoorView{Door: now, Revision: posted.Get("revision")}
	door := &page.Door
	door.Name, door.Bell, door.Parcel = posted.text("name"), posted.Get("bell"), posted.Get("kind") == "parcel"
	door.Tell = house.Tell(posted.Get("tell"))
	page.Wrong.add("name", checkDoor(*door, all))
	if err := s.Archive.HasBell(r.Context(), door.Bell); errors.Is(err, house.ErrNotFound) {
		page.Wrong.add("bell", errDoorBell)
	} else if err != nil {
		return err
	}
	if kind := posted.Get("kind"); kind != "house" && kind != "parcel" {
		page.Wrong.add("kind", errDoorKind)
	}
	if !tellable(door.Tell) {
		page.Wrong.add("tell", errDoorTell)
	}
	if len(page.Wrong) > 0 {
		return s.drawDoor(w, r, http.StatusUnprocessableEntity, page)
	}
	if moved, err := s.doorMoved(w, r, now, page); moved || err != nil {
		return err
	}
	if _, err := s.Archive.SetDoor(r.Context(), *door); err != nil {
		return absent(err, errNoDoor)
	}
	return redirect(w, r, "/rules/advice?saved")
}

// doorMoved shows a form beside what somebody else made of the door since it was
// begun, and reports whether it did.
func (s *Server) doorMoved(w http.ResponseWriter, r *http.Request, now house.Door, page adviceDoorView) (bool, error) {
	kind, tells := "door-behind-house", "door-tells-after-confirm"
	if now.Parcel {
		kind = "door-behind-parcel"
	}
	if now.TellsAtOnce() {
		tells = "door-tells-at-once"
	}
	var err error
	page.Conflict, err = s.moved(r, &page.Revision, now, func(t view.Presenter) (string, []string) {
		return "door " + now.ID, []string{t.Words.Text("elsewhere-door", "Name", now.Name, "Bell", t.Words.Bell(now.Bell)),
			t.Words.Text(kind), t.Words.Text(tells)}
	})
	if page.Conflict == nil {
		return false, err
	}
	return true, s.drawDoor(w, r, http.StatusConflict, page)
}

// tellable reports whether that can be said of when receivers hear.
func tellable(t house.Tell) bool {
	return t == "" || t == house.TellAtOnce || t == house.TellAfterConfirm
}

// checkDoor reports what is wrong with a door's name.
func checkDoor(door house.Door, all []house.Door) error {
	if err := house.CheckName(door.Name, nameLength); err != nil {
		return err
	}
	for _, d := range all {
		if d.ID != door.ID && store.SameName(d.Name, door.Name) {
			return errDoorTwice
		}
	}
	return nil
}

func (s *Server) showRemoveDoor(w http.ResponseWriter, r *http.Request) error {
	door, _, err := s.doorOf(r)
	if err != nil {
		return absent(err, errNoDoor)
	}
	rules, err := s.Archive.DoorRules(r.Context())
	if err != nil {
		return err
	}
	parcels, err := s.Archive.ParcelRules(r.Context())
	if err != nil {
		return err
	}
	words, goes := speak(languageOf(r)), []string{}
	if n := len(slices.DeleteFunc(rules, func(rule house.DoorRule) bool { return rule.Door != door.ID })); n > 0 {
		goes = append(goes, words.N(n, "rule"))
	}
	if n := len(slices.DeleteFunc(parcels, func(p house.ParcelRule) bool { return p.Door != door.ID })); n > 0 {
		goes = append(goes, words.N(n, "parcel"))
	}
	page := confirmView{Bar: barOf(r, words.Text("door-remove-title")), Back: "/rules/advice",
		Action: doorAddress(door.ID) + "/remove", Button: words.Text("door-remove", "Door", door.Name),
		Says: []string{words.Text("door-remove-ends", "Door", door.Name)}}
	if len(goes) > 0 {
		page.Says = append(page.Says, words.Text("door-remove-takes", "Things", words.List(goes)))
	}
	return sendPage(w, r, http.StatusOK, "confirm.html", page)
}

func (s *Server) submitRemoveDoor(w http.ResponseWriter, r *http.Request) error {
	return afterRemoval(w, r, s.Archive.RemoveDoor(r.Context(), r.PathValue("door")), "/rules/advice?saved")
}

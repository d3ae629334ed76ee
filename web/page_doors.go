package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"lintel/internal/house"
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
	return s.showDoor(w, r, http.StatusOK, door, nil)
}

func (s *Server) showDoor(w http.ResponseWriter, r *http.Request, status int, door house.Door, wrong wrongs) error {
	bells, err := s.Archive.Bells(r.Context())
	if err != nil {
		return err
	}
	return sendPage(w, r, status, "advice-door.html", adviceDoorView{
		barOf(r, speak(languageOf(r)).Text("door-title")), door, bells, wrong})
}

// submitDoor adds a door or changes one, by what was typed.
func (s *Server) submitDoor(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	door, all, err := s.doorOf(r)
	if err != nil {
		return absent(err, errNoDoor)
	}
	door.Name, door.Bell, door.Parcel = posted.text("name"), posted.Get("bell"), posted.Get("kind") == "parcel"
	door.Tell = house.Tell(posted.Get("tell"))
	wrong := make(wrongs)
	if err := checkDoor(door, all); err != nil {
		wrong.add("name", err)
	} else if kind := posted.Get("kind"); kind != "house" && kind != "parcel" {
		wrong.add("kind", errDoorKind)
	} else if !tellable(door.Tell) {
		wrong.add("tell", errDoorTell)
	} else if _, err := s.Archive.SetDoor(r.Context(), door); errors.Is(err, house.ErrNotFound) {
		wrong.add("bell", errDoorBell)
	} else if err != nil {
		return err
	}
	if len(wrong) > 0 {
		return s.showDoor(w, r, http.StatusUnprocessableEntity, door, wrong)
	}
	return redirect(w, r, "/rules/advice?saved")
}

// tellable reports whether that can be said of when receivers hear.
func tellable(t house.Tell) bool {
	return t == "" || t == house.TellAtOnce || t == house.TellAfterConfirm
}

// checkDoor reports what is wrong with a door's name.
func checkDoor(door house.Door, all []house.Door) error {
	if door.Name == "" || !nameable(door.Name, nameLength) {
		return errName
	}
	for _, d := range all {
		if d.ID != door.ID && strings.EqualFold(d.Name, door.Name) {
			return errDoorTwice
		}
	}
	return nil
}

// nameable reports whether a text is of so many characters at the most, none of
// which moves others.
func nameable(text string, most int) bool {
	return utf8.ValidString(text) && utf8.RuneCountInString(text) <= most &&
		!strings.ContainsFunc(text, unicode.IsControl)
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

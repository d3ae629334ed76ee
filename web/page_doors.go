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
)

// What can be wrong with a door.
var (
	errDoorName  = errors.New("a door has a name of 1 to 60 characters")
	errDoorTwice = errors.New("there is a door of this name already")
	errDoorBell  = errors.New("choose the bell that rings at this door")
)

type adviceDoorView struct {
	Bar    barView
	Door   house.Door // as typed, or as it is
	Action string     // where the form is sent to
	Known  bool       // whether it is there already
	Bells  []string
	Wrong  wrongs
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
	d, ok := doorByID(all, id)
	if !ok {
		return d, all, fmt.Errorf("door %s: %w", id, house.ErrNotFound)
	}
	return d, all, nil
}

func doorByID(all []house.Door, id string) (house.Door, bool) {
	i := slices.IndexFunc(all, func(d house.Door) bool { return d.ID == id })
	if i < 0 {
		return house.Door{}, false
	}
	return all[i], true
}

func (s *Server) showAdviceDoor(w http.ResponseWriter, r *http.Request) error {
	door, _, err := s.doorOf(r)
	if err != nil {
		return absent(err, errNoDoor)
	}
	return s.showDoor(w, r, http.StatusOK, door, nil)
}

func (s *Server) showDoor(w http.ResponseWriter, r *http.Request, status int, door house.Door, wrong wrongs) error {
	view := adviceDoorView{Bar: barOf(r, "Rules", "Suggestions: a door"), Door: door, Action: "/rules/advice/doors",
		Known: door.ID != "", Wrong: wrong}
	if view.Known {
		view.Action = doorAddress(door.ID)
	}
	bells, err := s.Archive.Bells(r.Context())
	if err != nil {
		return err
	}
	for _, b := range bells {
		view.Bells = append(view.Bells, b.Name)
	}
	return sendPage(w, r, status, "advice-door.html", view)
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
	wrong := make(wrongs)
	if err := checkDoor(door, all); err != nil {
		wrong.add("name", err)
	} else if kind := posted.Get("kind"); kind != "house" && kind != "parcel" {
		wrong.add("kind", errors.New("say which of the two it is"))
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

// checkDoor reports what is wrong with a door's name.
func checkDoor(door house.Door, all []house.Door) error {
	if !nameable(door.Name, 60) || door.Name == "" {
		return errDoorName
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
	return utf8.ValidString(text) && utf8.RuneCountInString(text) <= most && !strings.ContainsFunc(text, unicode.IsControl)
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
	goes := []string{}
	if n := len(slices.DeleteFunc(rules, func(rule house.DoorRule) bool { return rule.Door != door.ID })); n > 0 {
		goes = append(goes, counted(n, "rule"))
	}
	if n := len(slices.DeleteFunc(parcels, func(p house.ParcelRule) bool { return p.Door != door.ID })); n > 0 {
		goes = append(goes, counted(n, "parcel"))
	}
	view := confirmView{Bar: barOf(r, "Rules", "Remove a door"), Back: "/rules/advice", Action: doorAddress(door.ID) +
		"/remove", Button: "Remove " + door.Name,
		Says: []string{"Nobody would be suggested at " + door.Name +
			" any more, and whatever hears suggestions there would hear none."}}
	if len(goes) > 0 {
		view.Says = append(view.Says, capital(strings.Join(goes, " and "))+" for it would go with it.")
	}
	return sendPage(w, r, http.StatusOK, "confirm.html", view)
}

func (s *Server) submitRemoveDoor(w http.ResponseWriter, r *http.Request) error {
	return afterRemoval(w, r, s.Archive.RemoveDoor(r.Context(), r.PathValue("door")), "/rules/advice?saved")
}

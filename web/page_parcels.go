package web

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/policy"
)

// What can be wrong with an expected parcel besides what package policy says.
var (
	errParcelNote = errors.New("what is expected is said in 100 characters at most")
	errParcelDoor = errors.New("choose a door for parcels")
)

// A parcelForm is an expected parcel as typed.
type parcelForm struct {
	Door     string // id
	Note     string
	From, To string // 2027-01-31T18:00, by the household's clock
	Window   string // seconds
}

type adviceParcelsView struct {
	Bar     barView
	Saved   bool
	Parcels []parcelLine
	Doors   []house.Door // those for parcels
	Form    parcelForm
	Wrong   wrongs
	Clock   string
}

type parcelLine struct {
	Says   string // the rule, in a sentence
	Became string
	Visit  string // address of the visit it was used on, "" for none
	Remove string
}

// What became of a parcel.
const (
	parcelLater = "later" // its time is to come
	parcelNow   = "now"   // it is expected now
	parcelUsed  = "used"  // opening was suggested for it
	parcelOver  = "over"  // its time went by
)

func (t presenter) parcelState(p house.ParcelRule) string {
	switch {
	case p.UsedBy != "":
		return parcelUsed
	case t.Now.Before(p.From):
		return parcelLater
	case t.Now.Before(p.To):
		return parcelNow
	}
	return parcelOver
}

var parcelWords = map[string]string{
	parcelLater: "Its time is to come.", parcelNow: "Expected now.",
	parcelUsed: "Used: opening was suggested for it once.",
	parcelOver: "Over: nothing was suggested for it.",
}

func (s *Server) showParcels(w http.ResponseWriter, r *http.Request) error {
	return s.drawParcels(w, r, http.StatusOK, nil, nil)
}

// drawParcels shows the parcels, and a form for another: empty for none typed.
func (s *Server) drawParcels(w http.ResponseWriter, r *http.Request, status int, form *parcelForm, wrong wrongs) error {
	t, doors, parcels, err := s.parcelsFor(r)
	if err != nil {
		return err
	}
	view := adviceParcelsView{Bar: barOf(r, "Rules", "Expected parcels"), Saved: r.URL.Query().Has("saved"),
		Wrong: wrong, Clock: t.clockWords()}
	for _, p := range slices.Backward(parcels) {
		line, err := s.parcelLine(r, t, p, doors)
		if err != nil {
			return err
		}
		view.Parcels = append(view.Parcels, line)
	}
	view.Doors = slices.DeleteFunc(doors, func(d house.Door) bool { return !d.Parcel })
	if form == nil {
		hour := t.Now.In(t.Zone).Truncate(time.Minute)
		form = &parcelForm{From: hour.Format(localMinute), To: hour.Add(4 * time.Hour).Format(localMinute), Window: "60"}
		if len(view.Doors) == 1 {
			form.Door = view.Doors[0].ID
		}
	}
	view.Form = *form
	return sendPage(w, r, status, "advice-parcels.html", view)
}

// parcelsFor reads what is told of the parcels that are expected.
func (s *Server) parcelsFor(r *http.Request) (t presenter, doors []house.Door, parcels []house.ParcelRule, err error) {
	if t, err = s.presenterFor(r.Context(), session(r)); err != nil {
		return t, nil, nil, err
	}
	if doors, err = s.Archive.Doors(r.Context()); err != nil {
		return t, nil, nil, err
	}
	parcels, err = s.Archive.ParcelRules(r.Context())
	return t, doors, parcels, err
}

func (s *Server) parcelLine(r *http.Request, t presenter, p house.ParcelRule, doors []house.Door) (line parcelLine,
	err error) {
	door, _ := doorByID(doors, p.Door)
	unused := p
	unused.UsedBy = "" // what became of it stands beside
	line = parcelLine{Says: t.sayOf(door, policy.RestateParcel(unused, door, t.Zone)),
		Became: parcelWords[t.parcelState(p)],
		Remove: "/rules/advice/parcels/" + url.PathEscape(p.ID) + "/remove"}
	visit, err := s.parcelVisit(r, p)
	if visit != "" {
		line.Visit = visitAddress(visit)
	}
	return line, err
}

// parcelVisit returns the visit that a parcel was used on, "" if it was not, or
// the visit is gone.
func (s *Server) parcelVisit(r *http.Request, p house.ParcelRule) (visit string, err error) {
	if p.UsedBy == "" {
		return "", nil
	}
	advice, err := s.Archive.Advice(r.Context(), p.UsedBy)
	if errors.Is(err, house.ErrNotFound) {
		return "", nil
	}
	return advice.Visit, err
}

// submitParcel expects a parcel, by what was typed.
func (s *Server) submitParcel(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	get := func(name string) string { return strings.TrimSpace(posted.Get(name)) }
	form := parcelForm{Door: get("door"), Note: get("note"), From: get("from"), To: get("to"), Window: get("window")}
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	wrong := make(wrongs)
	p := house.ParcelRule{Door: form.Door, Note: form.Note, Window: typedDuration(form.Window, time.Second)}
	for field, at := range map[string]struct {
		text string
		to   *time.Time
	}{"from": {form.From, &p.From}, "to": {form.To, &p.To}} {
		*at.to, err = t.localTime(at.text)
		wrong.add(field, err)
	}
	if len(wrong) == 0 {
		field, err := s.expect(r, p)
		if field == "" && err != nil {
			return err
		}
		wrong.add(field, err)
	}
	if len(wrong) > 0 {
		return s.drawParcels(w, r, http.StatusUnprocessableEntity, &form, wrong)
	}
	return redirect(w, r, "/rules/advice/parcels?saved")
}

// expect keeps a parcel rule. It names the field of the form that is wrong,
// and none for an error that is no fault of the form.
func (s *Server) expect(r *http.Request, p house.ParcelRule) (field string, err error) {
	doors, err := s.Archive.Doors(r.Context())
	if err != nil {
		return "", err
	}
	door, ok := doorByID(doors, p.Door)
	p.ID = newRule
	fault := policy.CheckParcel(p, door)
	switch {
	case !ok:
		return "door", errParcelDoor
	case errors.Is(fault, policy.ErrParcelDoor):
		return "door", house.ErrHouseDoor
	case errors.Is(fault, policy.ErrParcelTime):
		return "to", fault
	case errors.Is(fault, policy.ErrExpiry):
		return "window", fault
	case fault != nil:
		return "door", fault
	case !p.To.After(s.Now()):
		return "to", errOver
	case !nameable(p.Note, 100):
		return "note", errParcelNote
	}
	_, err = s.Archive.AddParcelRule(r.Context(), p)
	if errors.Is(err, house.ErrHouseDoor) || errors.Is(err, house.ErrNotFound) { // it changed meanwhile
		return "door", err
	}
	return "", err
}

func (s *Server) submitRemoveParcel(w http.ResponseWriter, r *http.Request) error {
	return afterRemoval(w, r, s.Archive.RemoveParcelRule(r.Context(), r.PathValue("parcel")),
		"/rules/advice/parcels?saved")
}

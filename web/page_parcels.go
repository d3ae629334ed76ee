package web

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/policy"
	"lintel/web/view"
)

// What can be wrong with an expected parcel besides what package policy says.
var (
	errParcelNote error = house.Refusal("parcel-note")
	errNoParcels  error = house.Refusal("parcel-at")
)

type adviceParcelsView struct {
	Bar     barView
	Saved   bool
	Parcels []view.Parcel
	Doors   []house.Door // those for parcels
	Form    postedForm
	Wrong   wrongs
	Clock   string // that times are by
}

func (s *Server) showParcels(w http.ResponseWriter, r *http.Request) error {
	return s.drawParcels(w, r, http.StatusOK, postedForm{}, nil)
}

// drawParcels shows the parcels, and a form for another: as typed, or filled in
// where nothing was.
func (s *Server) drawParcels(w http.ResponseWriter, r *http.Request, status int, form postedForm, wrong wrongs) error {
	t, doors, parcels, err := s.parcelsFor(r)
	if err != nil {
		return err
	}
	slices.Reverse(parcels)
	doors = slices.DeleteFunc(doors, func(d house.Door) bool { return !d.Parcel })
	if form.Values == nil {
		minute := t.Now.In(t.Zone)
		form.Values = url.Values{"from": {minute.Format(view.Minute)},
			"to": {minute.Add(4 * time.Hour).Format(view.Minute)}, "window": {"60"}}
		if len(doors) == 1 {
			form.Set("door", doors[0].ID)
		}
	}
	return sendPage(w, r, status, "advice-parcels.html", adviceParcelsView{barOf(r, t.Words.Text("parcels-title")),
		r.URL.Query().Has("saved"), parcels, doors, form, wrong, t.ByClock()})
}

// parcelsFor reads what is told of the parcels that are expected.
func (s *Server) parcelsFor(r *http.Request) (t view.Presenter, doors []house.Door, parcels []view.Parcel, err error) {
	if t, err = s.presenterFor(r.Context(), session(r)); err != nil {
		return t, nil, nil, err
	}
	if doors, err = s.Archive.Doors(r.Context()); err != nil {
		return t, nil, nil, err
	}
	rules, err := s.Archive.ParcelRules(r.Context())
	if err != nil {
		return t, nil, nil, err
	}
	for _, p := range rules {
		visit, err := s.parcelVisit(r, p)
		if err != nil {
			return t, nil, nil, err
		}
		door, _ := view.DoorOf(doors, p.Door)
		parcels = append(parcels, t.Parcel(p, door, visit))
	}
	return t, doors, parcels, nil
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
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	var wrong wrongs
	p := house.ParcelRule{Door: posted.text("door"), Note: posted.text("note"),
		Window: posted.duration("window", time.Second)}
	for field, to := range map[string]*time.Time{"from": &p.From, "to": &p.To} {
		*to, err = t.ReadMinute(posted.text(field))
		wrong.add(field, err)
	}
	if err := s.judgeParcel(r, p, &wrong); err != nil {
		return err
	}
	if len(wrong) == 0 {
		field, err := s.expect(r, p)
		if field == "" && err != nil {
			return err
		}
		wrong.add(field, err)
	}
	if len(wrong) > 0 {
		return s.drawParcels(w, r, http.StatusUnprocessableEntity, posted, wrong)
	}
	return redirect(w, r, "/rules/advice/parcels?saved")
}

// judgeParcel says what is wrong with each field by itself.
func (s *Server) judgeParcel(r *http.Request, p house.ParcelRule, wrong *wrongs) error {
	doors, err := s.Archive.Doors(r.Context())
	if err != nil {
		return err
	}
	door, ok := view.DoorOf(doors, p.Door)
	switch {
	case !ok:
		wrong.add("door", errNoParcels)
	case !door.Parcel:
		wrong.add("door", policy.ErrParcelDoor)
	}
	if p.Note != "" && house.CheckName(p.Note, 100) != nil {
		wrong.add("note", errParcelNote)
	}
	fits := house.ParcelRule{ID: view.NewRule, Door: "any", From: s.Now(), To: s.Now().Add(time.Hour), Window: p.Window}
	wrong.add("window", policy.CheckParcel(fits, house.Door{ID: "any", Parcel: true}))
	return nil
}

// expect keeps a parcel rule. It names the field of the form that is wrong,
// and none for an error that is no fault of the form.
func (s *Server) expect(r *http.Request, p house.ParcelRule) (field string, err error) {
	doors, err := s.Archive.Doors(r.Context())
	if err != nil {
		return "", err
	}
	door, ok := view.DoorOf(doors, p.Door)
	p.ID = view.NewRule
	fault := policy.CheckParcel(p, door)
	switch {
	case !ok:
		return "door", errNoParcels
	case errors.Is(fault, policy.ErrParcelTime):
		return "to", fault
	case errors.Is(fault, policy.ErrExpiry):
		return "window", fault
	case fault != nil:
		return "door", fault
	case !p.To.After(s.Now()):
		return "to", errOver
	case p.Note != "" && house.CheckName(p.Note, 100) != nil:
		return "note", errParcelNote
	}
	_, err = s.Archive.AddParcelRule(r.Context(), p)
	switch { // the door changed meanwhile
	case errors.Is(err, house.ErrHouseDoor):
		return "door", house.ErrHouseDoor
	case errors.Is(err, house.ErrNotFound):
		return "door", errNoParcels
	}
	return "", err
}

func (s *Server) submitRemoveParcel(w http.ResponseWriter, r *http.Request) error {
	return afterRemoval(w, r, s.Archive.RemoveParcelRule(r.Context(), r.PathValue("parcel")),
		"/rules/advice/parcels?saved")
}

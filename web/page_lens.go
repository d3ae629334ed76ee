package web

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"lintel/internal/house"
	"lintel/pipeline/liveness"
)

// A lensView is what the page of how a bell looks shows.
type lensView struct {
	Bar     barView
	Bell    string
	Action  string // where the form is sent to
	Now     string // how it looks, as far as that is known
	Known   bool
	Saved   bool
	Message string // what is wrong
	Preview string // what the numbers in the form come to
	Form    lensForm
}

// A lensForm is what is typed: numbers are as they were.
type lensForm struct {
	Angle, Height, Tilt string
	Projection          house.Projection
}

func lensAddress(bell string) string { return "/rules/lens/" + url.PathEscape(bell) }

// lensOf returns the lens of the bell that a request is about. The error is
// house.ErrNotFound without such a bell.
func (s *Server) lensOf(r *http.Request) (lens house.Lens, known bool, err error) {
	if err := s.findBell(r); err != nil {
		return lens, false, err
	}
	return s.Archive.Lens(r.Context(), r.PathValue("bell"))
}

func (s *Server) showLens(w http.ResponseWriter, r *http.Request) error {
	lens, known, err := s.lensOf(r)
	if err != nil {
		return absent(err, errNoBell)
	}
	form := lensForm{Tilt: "0", Projection: house.Straight}
	if known {
		form = formOf(lens)
	}
	return s.drawLens(w, r, http.StatusOK, lensView{Form: form, Saved: r.URL.Query().Has("saved")})
}

// formOf fills a form with what a lens was saved as.
func formOf(l house.Lens) lensForm {
	return lensForm{Angle: plainNumber(l.Angle, 1), Height: plainNumber(l.Height, 2), Tilt: plainNumber(l.Tilt, 1),
		Projection: l.Projection}
}

// plainNumber writes a number with so many decimals at the most.
func plainNumber(v float64, decimals int) string {
	scale := math.Pow10(decimals)
	return strconv.FormatFloat(math.Round(v*scale)/scale+0, 'f', -1, 64)
}

// drawLens shows a form, with all that stands around it.
func (s *Server) drawLens(w http.ResponseWriter, r *http.Request, status int, view lensView) error {
	bell := r.PathValue("bell")
	lens, known, err := s.lensOf(r)
	if err != nil {
		return absent(err, errNoBell)
	}
	view.Bar, view.Bell, view.Action, view.Known = barOf(r, "Rules", "How the bell looks: "+bell), bell,
		lensAddress(bell), known
	view.Now = lensWords(lens, known)
	if view.Preview, err = s.lensPreview(r.Context(), bell, view.Form); err != nil {
		return err
	}
	return sendPage(w, r, status, "lens.html", view)
}

// lensWords say how a bell looks.
func lensWords(l house.Lens, known bool) string {
	if !known {
		return "not known"
	}
	lines := "keeps straight lines straight"
	if l.Projection == house.Equidistant {
		lines = "bows straight lines"
	}
	return fmt.Sprintf("sees %s° across and %s, is %s m above the ground and %s", plainNumber(l.Angle, 1), lines,
		plainNumber(l.Height, 2), tiltWords(l.Tilt))
}

// tiltWords say how far a bell looks down or up.
func tiltWords(tilt float64) string {
	by := plainNumber(math.Abs(tilt), 1)
	switch {
	case by == "0":
		return "looks straight ahead"
	case tilt < 0:
		return "looks up by " + by + "°"
	}
	return "looks down by " + by + "°"
}

// lensPreview says what the numbers of a form come to, or "" where they are no
// lens.
func (s *Server) lensPreview(ctx context.Context, bell string, f lensForm) (string, error) {
	lens, err := f.lens()
	if err != nil || lens.Check() != nil {
		return "", nil
	}
	width := frameWidth
	still, found, err := s.latestStill(ctx, bell)
	if err != nil {
		return "", err
	}
	if found {
		width = still.Width
	}
	return fmt.Sprintf("On a still %d pixels wide, a grown-up one metre away would have a face about %.0f pixels wide.",
		width, liveness.FaceAt(lens, width, 1)), nil
}

// What may be wrong with the numbers of a form.
var (
	errNoNumber      = errors.New("is a number")
	errMissingNumber = errors.New("a number is missing")
)

// lens reads the numbers of a form. The error is errNoNumber or
// errMissingNumber.
func (f lensForm) lens() (l house.Lens, err error) {
	l.Projection = f.Projection
	for _, n := range []struct {
		name, text string
		v          *float64
	}{{"the angle of view", f.Angle, &l.Angle}, {"the height of the lens", f.Height, &l.Height},
		{"how far it looks down", f.Tilt, &l.Tilt}} {
		if n.text == "" {
			return l, errMissingNumber
		}
		if *n.v, err = typedNumber(n.text); err != nil {
			return l, fmt.Errorf("%s %w", n.name, err)
		}
	}
	return l, nil
}

// typedNumber reads a number with a point or a comma, and with a hyphen or a
// minus. The error is errNoNumber.
func typedNumber(text string) (float64, error) {
	v, err := strconv.ParseFloat(strings.NewReplacer(",", ".", "−", "-").Replace(text), 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, errNoNumber
	}
	return v, nil
}

// submitLens keeps what was typed.
func (s *Server) submitLens(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	form := lensForm{posted.text("angle"), posted.text("height"), posted.text("tilt"),
		house.Projection(posted.text("projection"))}
	lens, err := form.lens()
	if err == nil {
		err = s.Archive.SetLens(r.Context(), r.PathValue("bell"), lens)
	}
	switch {
	case errors.Is(err, house.ErrBadLens) || errors.Is(err, errNoNumber) || err == errMissingNumber:
		return s.drawLens(w, r, http.StatusUnprocessableEntity, lensView{Form: form, Message: sentence(err)})
	case err != nil:
		return absent(err, errNoBell)
	default:
		return redirect(w, r, lensAddress(r.PathValue("bell"))+"?saved")
	}
}

func (s *Server) submitClearLens(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.ClearLens(r.Context(), r.PathValue("bell")); err != nil {
		return absent(err, errNoBell)
	}
	return redirect(w, r, lensAddress(r.PathValue("bell")))
}

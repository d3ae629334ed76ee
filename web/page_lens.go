package web

import (
	"context"
	"errors"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/pipeline/liveness"
	"lintel/web/view"
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
	return lensForm{Angle: view.PlainNumber(l.Angle, 1), Height: view.PlainNumber(l.Height, 2),
		Tilt: view.PlainNumber(l.Tilt, 1), Projection: l.Projection}
}

// drawLens shows a form, with all that stands around it.
func (s *Server) drawLens(w http.ResponseWriter, r *http.Request, status int, page lensView) error {
	bell := r.PathValue("bell")
	lens, known, err := s.lensOf(r)
	if err != nil {
		return absent(err, errNoBell)
	}
	t := view.Presenter{Words: speak(languageOf(r))}
	page.Bar, page.Bell, page.Action, page.Known = barOf(r, t.Words.Text("lens-of", "Bell", bell)), bell,
		lensAddress(bell), known
	page.Now = t.Lens(lens, known)
	if page.Preview, err = s.lensPreview(r.Context(), bell, page.Form, t.Words); err != nil {
		return err
	}
	return sendPage(w, r, status, "lens.html", page)
}

// lensPreview says what the numbers of a form come to, or "" where they are no
// lens.
func (s *Server) lensPreview(ctx context.Context, bell string, f lensForm, w words.Words) (string,
	error) {
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
	return w.Text("lens-preview", "Width", width, "Face", math.Round(liveness.FaceAt(lens, width, 1))), nil
}

// errNoNumber says that something typed is no number.
var errNoNumber = errors.New("no number was typed")

// lens reads the numbers of a form. The error is house.ErrBadLens.
func (f lensForm) lens() (l house.Lens, err error) {
	l.Projection = f.Projection
	for _, n := range []struct {
		code, text string
		v          *float64
	}{{"lens-number-angle", f.Angle, &l.Angle}, {"lens-number-height", f.Height, &l.Height},
		{"lens-number-tilt", f.Tilt, &l.Tilt}} {
		if n.text == "" {
			return l, house.Fault{Of: house.ErrBadLens, Code: "lens-missing"}
		}
		if *n.v, err = typedNumber(n.text); err != nil {
			return l, house.Fault{Of: house.ErrBadLens, Code: n.code}
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
	case errors.Is(err, house.ErrBadLens):
		return s.drawLens(w, r, http.StatusUnprocessableEntity, lensView{Form: form, Message: refused(err)})
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

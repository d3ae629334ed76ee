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
	Wrong   wrongs
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
	page.Bell, page.Action, page.Known = s.bellName(r.Context(), bell), lensAddress(bell), known
	page.Bar = barOf(r, t.Words.Text("lens-of", "Bell", page.Bell))
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
	lens, wrong := f.lens()
	if len(wrong) > 0 {
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

// lens reads the numbers of a form, and says all that is wrong with them.
func (f lensForm) lens() (l house.Lens, wrong wrongs) {
	fits := house.Lens{Projection: house.Straight, Angle: 100, Height: 1, Tilt: 0} // to judge each number in
	l.Projection = f.Projection
	if l.Projection == house.Equidistant {
		fits.Projection = l.Projection
	}
	for _, n := range []struct {
		field, code, text string
		v, in             *float64
	}{{"angle", "lens-number-angle", f.Angle, &l.Angle, &fits.Angle},
		{"height", "lens-number-height", f.Height, &l.Height, &fits.Height},
		{"tilt", "lens-number-tilt", f.Tilt, &l.Tilt, &fits.Tilt}} {
		usual := *n.in
		v, err := typedNumber(n.text)
		switch {
		case n.text == "":
			err = house.Fault{Of: house.ErrBadLens, Code: "lens-missing"}
		case err != nil:
			err = house.Fault{Of: house.ErrBadLens, Code: n.code}
		default:
			*n.v, *n.in = v, v
			err = fits.Check()
		}
		wrong.add(n.field, err)
		*n.in = usual
	}
	if fits.Projection = l.Projection; fits.Check() != nil {
		wrong.add("projection", fits.Check())
	}
	return l, wrong
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
	lens, wrong := form.lens()
	if len(wrong) > 0 {
		return s.drawLens(w, r, http.StatusUnprocessableEntity, lensView{Form: form, Wrong: wrong})
	}
	if err := s.Archive.SetLens(r.Context(), r.PathValue("bell"), lens); err != nil {
		return absent(err, errNoBell)
	}
	return redirect(w, r, lensAddress(r.PathValue("bell"))+"?saved")
}

func (s *Server) submitClearLens(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.ClearLens(r.Context(), r.PathValue("bell")); err != nil {
		return absent(err, errNoBell)
	}
	return redirect(w, r, lensAddress(r.PathValue("bell")))
}

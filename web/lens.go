package web

import (
	"context"
	"errors"
	"fmt"
	"image"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"lintel/pipeline/liveness"
	"lintel/store"
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
	Worked  string // what was worked out
	Preview string // what the numbers in the form come to

	Form    lensForm
	Persons []store.Person
	Faces   []lensFace
	Asked   bool // whether faces were asked for
}

// A lensForm is what is typed: numbers are as they were, "" for what is to be
// worked out.
type lensForm struct {
	Angle, Height, Tilt string
	Projection          store.Projection
	Person              string // id
	PersonHeight        string // of the person; never kept
	Faces               []facePlace
}

// A lensFace is a face that can help.
type lensFace struct {
	Value  string // its place, as the form has it
	When   string
	Crop   faceCrop
	Chosen bool
}

// A facePlace names a face by its visit, its still, and how many faces are to the
// left of it there.
type facePlace struct {
	Visit string `json:"visit"`
	Frame int    `json:"frame"`
	Face  int    `json:"face"`
}

func (p facePlace) String() string { return fmt.Sprintf("%s/%d/%d", p.Visit, p.Frame, p.Face) }

// parseFacePlace reads what String wrote.
func parseFacePlace(text string) (p facePlace, ok bool) {
	parts := strings.Split(text, "/")
	if len(parts) != 3 {
		return p, false
	}
	var err1, err2 error
	p.Visit = parts[0]
	p.Frame, err1 = strconv.Atoi(parts[1])
	p.Face, err2 = strconv.Atoi(parts[2])
	return p, err1 == nil && err2 == nil
}

// lensVisits is how many visits of a person are offered, the newest, and
// maxLensFaces how many faces may help.
const (
	lensVisits   = 24
	maxLensFaces = 100
)

func lensAddress(bell string) string { return "/rules/lens/" + url.PathEscape(bell) }

// lensOf returns the lens of the bell that a request is about. The error is
// store.ErrNotFound without such a bell.
func (s *Server) lensOf(r *http.Request) (lens store.Lens, known bool, err error) {
	if err := s.findBell(r); err != nil {
		return lens, false, err
	}
	return s.Archive.Lens(r.Context(), r.PathValue("bell"))
}

func (s *Server) lensPage(w http.ResponseWriter, r *http.Request) {
	lens, known, err := s.lensOf(r)
	if err != nil {
		s.refuseLens(w, r, err)
		return
	}
	form := lensForm{Tilt: "0", Projection: store.Straight}
	if known {
		form = formOf(lens)
	}
	s.showLens(w, r, http.StatusOK, lensView{Form: form, Saved: r.URL.Query().Has("saved")})
}

// formOf fills a form with what a lens was saved as.
func formOf(l store.Lens) lensForm {
	return lensForm{Angle: plainNumber(l.Angle, 1), Height: plainNumber(l.Height, 2), Tilt: plainNumber(l.Tilt, 1), Projection: l.Projection}
}

// plainNumber writes a number with so many decimals at the most.
func plainNumber(v float64, decimals int) string {
	scale := math.Pow10(decimals)
	return strconv.FormatFloat(math.Round(v*scale)/scale+0, 'f', -1, 64)
}

// showLens shows a form, with all that stands around it.
func (s *Server) showLens(w http.ResponseWriter, r *http.Request, status int, view lensView) {
	bell := r.PathValue("bell")
	lens, known, err := s.lensOf(r)
	if err != nil {
		s.refuseLens(w, r, err)
		return
	}
	view.Bar, view.Bell, view.Action, view.Known = barOf(r, "Rules", "How the bell looks: "+bell), bell, lensAddress(bell), known
	view.Now = lensWords(lens, known)
	if view.Persons, err = s.Archive.Persons(r.Context()); err != nil {
		s.fail(w, r, err)
		return
	}
	if view.Preview, err = s.lensPreview(r.Context(), bell, view.Form); err != nil {
		s.fail(w, r, err)
		return
	}
	if view.Asked = view.Form.Person != ""; view.Asked {
		if view.Faces, err = s.lensFaces(r, bell, view.Form); err != nil {
			s.fail(w, r, err)
			return
		}
	}
	writePage(w, status, "lens.html", view)
}

// lensWords say how a bell looks.
func lensWords(l store.Lens, known bool) string {
	if !known {
		return "not known: a face where no person can be is not noticed"
	}
	lines := "keeps straight lines straight"
	if l.Projection == store.Equidistant {
		lines = "bows straight lines"
	}
	return fmt.Sprintf("sees %s° across and %s, is %s m above the ground and %s", plainNumber(l.Angle, 1), lines, plainNumber(l.Height, 2), tiltWords(l.Tilt))
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
	lens, unknown, err := f.lens()
	if err != nil || unknown != (liveness.Unknown{}) || lens.Check() != nil {
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
	return fmt.Sprintf("On a still %d pixels wide, a grown-up one metre away would have a face about %.0f pixels wide.", width, liveness.FaceAt(lens, width, 1)), nil
}

// lensFaces lists the faces of a person that the bell saw, newest first.
func (s *Server) lensFaces(r *http.Request, bell string, form lensForm) (all []lensFace, err error) {
	t, err := s.tellerFor(r.Context(), session(r))
	if err != nil {
		return nil, err
	}
	visits, _, err := s.Archive.Book(r.Context(), store.Filter{Bell: bell, Person: form.Person}, store.Cursor{}, lensVisits)
	if err != nil {
		return nil, err
	}
	for _, v := range visits {
		for _, still := range v.Stills {
			for i, f := range still.Faces {
				if still.File == "" || f.Match == nil || f.Match.Person != form.Person || len(f.Landmarks) < 4 {
					continue
				}
				place := facePlace{v.ID, still.Frame, i}
				all = append(all, lensFace{place.String(), t.moment(v.ReceivedAt), newFaceCrop(still, f), slices.Contains(form.Faces, place)})
			}
		}
	}
	return all[:min(len(all), maxLensFaces)], nil
}

// readLensForm reads the form of the page. It reports false if it has answered.
func readLensForm(w http.ResponseWriter, r *http.Request) (f lensForm, ok bool) {
	if !readForm(w, r) {
		return f, false
	}
	get := func(name string) string { return strings.TrimSpace(r.PostForm.Get(name)) }
	f = lensForm{get("angle"), get("height"), get("tilt"), store.Projection(get("projection")), get("person"), get("person_height"), nil}
	for _, text := range r.PostForm["face"] {
		if place, ok := parseFacePlace(text); ok && len(f.Faces) < maxLensFaces {
			f.Faces = append(f.Faces, place)
		}
	}
	return f, true
}

// What may be wrong with the numbers of a form.
var (
	errNoNumber      = errors.New("is a number")
	errMissingNumber = errors.New("a number is missing: type it, or let a person of known height help to work it out")
)

// lens reads the numbers of a form; what is empty is unknown. The error is
// errNoNumber.
func (f lensForm) lens() (l store.Lens, unknown liveness.Unknown, err error) {
	l.Projection = f.Projection
	for _, n := range []struct {
		name, text string
		v          *float64
		unknown    *bool
	}{{"the angle of view", f.Angle, &l.Angle, &unknown.Angle}, {"the height of the lens", f.Height, &l.Height, &unknown.Height}, {"how far it looks down", f.Tilt, &l.Tilt, &unknown.Tilt}} {
		if *n.unknown = n.text == ""; *n.unknown {
			continue
		}
		if *n.v, err = typedNumber(n.text); err != nil {
			return l, unknown, fmt.Errorf("%s %w", n.name, err)
		}
	}
	return l, unknown, nil
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

// saveLens keeps what was typed, or worked out before.
func (s *Server) saveLens(w http.ResponseWriter, r *http.Request) {
	form, ok := readLensForm(w, r)
	if !ok {
		return
	}
	lens, unknown, err := form.lens()
	switch {
	case err != nil:
	case unknown != (liveness.Unknown{}):
		err = errMissingNumber
	default:
		err = s.Archive.SetLens(r.Context(), r.PathValue("bell"), lens)
	}
	switch {
	case errors.Is(err, store.ErrBadLens) || errors.Is(err, errNoNumber) || err == errMissingNumber:
		s.showLens(w, r, http.StatusUnprocessableEntity, lensView{Form: form, Message: sentence(err)})
	case err != nil:
		s.refuseLens(w, r, err)
	default:
		http.Redirect(w, r, lensAddress(r.PathValue("bell"))+"?saved", http.StatusSeeOther)
	}
}

func (s *Server) clearLens(w http.ResponseWriter, r *http.Request) {
	if err := s.Archive.ClearLens(r.Context(), r.PathValue("bell")); err != nil {
		s.refuseLens(w, r, err)
		return
	}
	http.Redirect(w, r, lensAddress(r.PathValue("bell")), http.StatusSeeOther)
}

// estimateOnPage shows the faces of a person, or works out from those that are
// ticked what the form leaves empty, and shows the form filled. Nothing is kept.
func (s *Server) estimateOnPage(w http.ResponseWriter, r *http.Request) {
	form, ok := readLensForm(w, r)
	if !ok {
		return
	}
	if r.PostForm.Has("show") {
		s.showLens(w, r, http.StatusOK, lensView{Form: form})
		return
	}
	fit, unknown, err := s.estimateTyped(r, form)
	_, _, bad := badFit(err)
	switch {
	case bad || errors.Is(err, errNoNumber):
		s.showLens(w, r, http.StatusUnprocessableEntity, lensView{Form: form, Message: sentence(err)})
	case errors.Is(err, errNoFace):
		s.showLens(w, r, http.StatusUnprocessableEntity, lensView{Form: form, Message: "One of the faces is not there any more. Choose again."})
	case err != nil:
		s.refuseLens(w, r, err)
	default:
		filled := formOf(fit.Lens)
		filled.Person, filled.PersonHeight, filled.Faces = form.Person, form.PersonHeight, form.Faces
		s.showLens(w, r, http.StatusOK, lensView{Form: filled, Worked: fitWords(fit, unknown)})
	}
}

func (s *Server) estimateTyped(r *http.Request, form lensForm) (fit liveness.LensFit, unknown liveness.Unknown, err error) {
	lens, unknown, err := form.lens()
	if err != nil {
		return fit, unknown, err
	}
	height, err := typedNumber(form.PersonHeight)
	if err != nil {
		return fit, unknown, fmt.Errorf("the person’s height %w of metres, such as 1.75", err)
	}
	fit, err = s.estimate(r, lens, unknown, height, form.Faces)
	return fit, unknown, err
}

// fitWords say what was worked out, and how sure that is.
func fitWords(fit liveness.LensFit, unknown liveness.Unknown) string {
	var parts []string
	if unknown.Angle {
		parts = append(parts, fmt.Sprintf("it sees %s° across, give or take %s°", plainNumber(fit.Lens.Angle, 1), plainNumber(max(fit.Angle, .1), 1)))
	}
	if unknown.Height {
		parts = append(parts, fmt.Sprintf("it is %s m above the ground, give or take %s m", plainNumber(fit.Lens.Height, 2), plainNumber(max(fit.Height, .01), 2)))
	}
	if unknown.Tilt {
		parts = append(parts, fmt.Sprintf("it %s, give or take %s°", tiltWords(fit.Lens.Tilt), plainNumber(max(fit.Tilt, .1), 1)))
	}
	return fmt.Sprintf("By %s, %s. In one case of three it is farther off than that.", counted(fit.Faces, "face"), strings.Join(parts, "; "))
}

// errNoFace says that there is no such face, of this bell.
var errNoFace = errors.New("there is no such face at this bell")

// estimate works out what is unknown of the lens of the bell that a request is
// about, from faces of one person. The errors are errNoFace, those of
// liveness.FitLens, and store.ErrNotFound without such a bell.
func (s *Server) estimate(r *http.Request, lens store.Lens, unknown liveness.Unknown, height float64, places []facePlace) (liveness.LensFit, error) {
	if _, _, err := s.lensOf(r); err != nil {
		return liveness.LensFit{}, err
	}
	helper := liveness.Helper{Height: height}
	for _, place := range places {
		v, err := s.Archive.Visit(r.Context(), place.Visit)
		if errors.Is(err, store.ErrNotFound) || err == nil && v.Bell != r.PathValue("bell") {
			return liveness.LensFit{}, errNoFace
		}
		if err != nil {
			return liveness.LensFit{}, err
		}
		i := slices.IndexFunc(v.Stills, func(s store.Still) bool { return s.Frame == place.Frame })
		if i < 0 || place.Face < 0 || place.Face >= len(v.Stills[i].Faces) {
			return liveness.LensFit{}, errNoFace
		}
		still := v.Stills[i]
		helper.Seen = append(helper.Seen, liveness.Seen{Landmarks: still.Faces[place.Face].Landmarks, Still: image.Pt(still.Width, still.Height)})
	}
	return liveness.FitLens(lens, unknown, []liveness.Helper{helper})
}

// badFit says why a lens could not be worked out, if that is what the error is
// about.
func badFit(err error) (kind string, title error, ok bool) {
	for kind, bad := range map[string]error{
		"nothing-unknown": liveness.ErrNothingUnknown, "bad-height": liveness.ErrBadHeight, "few-faces": liveness.ErrFewFaces,
		"alike-faces": liveness.ErrAlikeFaces, "no-fit": liveness.ErrNoFit, "bad-lens": store.ErrBadLens,
	} {
		if errors.Is(err, bad) {
			return kind, bad, true
		}
	}
	return "", nil, false
}

// refuseLens answers where a lens could not be read, kept or worked out.
func (s *Server) refuseLens(w http.ResponseWriter, r *http.Request, err error) {
	kind, title, bad := badFit(err)
	switch {
	case bad:
		p := problem{Status: http.StatusUnprocessableEntity, Type: kind, Title: sentence(title)}
		if err.Error() != title.Error() {
			p.Detail = err.Error()
		}
		writeProblem(w, r, p)
	case errors.Is(err, errNoFace):
		writeProblem(w, r, problem{Status: http.StatusNotFound, Type: "unknown-face", Title: sentence(err)})
	case errors.Is(err, store.ErrNotFound):
		writeProblem(w, r, problem{Status: http.StatusNotFound, Type: "unknown-bell", Title: "There is no bell of this name."})
	default:
		s.fail(w, r, err)
	}
}

// A lensJSON is a lens as programs send it; what is missing or null is not
// known.
type lensJSON struct {
	Angle      *float64         `json:"angle_deg"`
	Projection store.Projection `json:"projection"`
	Height     *float64         `json:"height_m"`
	Tilt       *float64         `json:"tilt_deg"`
}

func (j lensJSON) lens() (l store.Lens, unknown liveness.Unknown) {
	l.Projection = j.Projection
	for _, n := range []struct {
		from    *float64
		to      *float64
		unknown *bool
	}{{j.Angle, &l.Angle, &unknown.Angle}, {j.Height, &l.Height, &unknown.Height}, {j.Tilt, &l.Tilt, &unknown.Tilt}} {
		if *n.unknown = n.from == nil; n.from != nil {
			*n.to = *n.from
		}
	}
	return l, unknown
}

func (s *Server) getLens(w http.ResponseWriter, r *http.Request) {
	lens, known, err := s.lensOf(r)
	if err != nil {
		s.refuseLens(w, r, err)
		return
	}
	var answer struct {
		Lens *store.Lens `json:"lens"` // null where it is not known
	}
	if known {
		answer.Lens = &lens
	}
	writeJSON(w, http.StatusOK, answer)
}

func (s *Server) putLens(w http.ResponseWriter, r *http.Request) {
	var sent lensJSON
	if !readJSON(w, r, &sent) {
		return
	}
	lens, unknown := sent.lens()
	err := fmt.Errorf("%w: angle_deg, height_m and tilt_deg are all needed", store.ErrBadLens)
	if unknown == (liveness.Unknown{}) {
		err = s.Archive.SetLens(r.Context(), r.PathValue("bell"), lens)
	}
	if err != nil {
		s.refuseLens(w, r, err)
		return
	}
	s.getLens(w, r)
}

func (s *Server) deleteLens(w http.ResponseWriter, r *http.Request) {
	if err := s.Archive.ClearLens(r.Context(), r.PathValue("bell")); err != nil {
		s.refuseLens(w, r, err)
		return
	}
	s.getLens(w, r)
}

// postEstimate works out a lens for a program, and keeps nothing.
func (s *Server) postEstimate(w http.ResponseWriter, r *http.Request) {
	var sent struct {
		lensJSON
		PersonHeight float64     `json:"person_height_m"`
		Faces        []facePlace `json:"faces"`
	}
	if !readJSON(w, r, &sent) {
		return
	}
	lens, unknown := sent.lens()
	fit, err := s.estimate(r, lens, unknown, sent.PersonHeight, sent.Faces[:min(len(sent.Faces), maxLensFaces)])
	if err != nil {
		s.refuseLens(w, r, err)
		return
	}
	type errorsJSON struct {
		Angle  float64 `json:"angle_deg"`
		Height float64 `json:"height_m"`
		Tilt   float64 `json:"tilt_deg"`
	}
	writeJSON(w, http.StatusOK, struct {
		Lens   store.Lens `json:"lens"`
		Errors errorsJSON `json:"standard_errors"`
		Faces  int        `json:"faces"`
	}{fit.Lens, errorsJSON{fit.Angle, fit.Height, fit.Tilt}, fit.Faces})
}

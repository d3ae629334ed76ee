package web

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/intake"
	"lintel/pipeline/review"
	"lintel/web/view"
)

// A picturesView is what the page to add pictures of somebody shows.
type picturesView struct {
	view.Presenter
	Bar        barView
	Done       string // what was added just now
	Person     personJSON
	Address    string // of this page
	Back       string // of the person's
	To         string // where programs send pictures
	References []view.Reference
	Lead       string
	More       string
	Uploads    []view.Upload // what became of files that were sent just now
	Candidates []view.Candidate
}

// candidatesShown is how many faces of visits are offered.
const candidatesShown = 18

func (s *Server) showPictures(w http.ResponseWriter, r *http.Request) error {
	p, err := s.consenting(r)
	if err != nil {
		return err
	}
	return s.drawPictures(w, r, http.StatusOK, p, nil)
}

func (s *Server) drawPictures(w http.ResponseWriter, r *http.Request, status int, p personJSON, uploads []view.Upload,
) error {
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	page := picturesView{Presenter: t, Bar: barOf(r, t.Words.Text("pictures-title", "Name", p.Name)), Person: p,
		Address: view.PicturesAddress(p.ID), Back: view.PersonAddress(p.ID), Uploads: uploads,
		To: "/api/v1/persons/" + url.PathEscape(p.ID) + "/references"}
	if n, ok := counts(r.URL.Query(), "references"); ok {
		page.Done = t.Words.Text("person-enrolled", "Count", n[0])
	} else if r.URL.Query().Has("added") {
		page.Done = t.Words.Text("person-added-now", "Name", p.Name)
	}
	if page.References, page.More, err = s.referencesOf(r.Context(), t, p.Person); err != nil {
		return err
	}
	page.Lead = t.Known(p.Person, len(page.References))
	all, err := s.review.Candidates(r.Context(), p.ID, candidatesShown)
	if err != nil {
		return err
	}
	page.Candidates = t.Candidates(all)
	return sendPage(w, r, status, "pictures.html", page)
}

// referencesOf shows a person's references, and asks for more pictures where there are
// too few.
func (s *Server) referencesOf(ctx context.Context, t view.Presenter, p house.Person,
) (shown []view.Reference, more string, err error) {
	all, err := s.Archive.Enrolments(ctx, p.ID)
	if err != nil {
		return nil, "", err
	}
	references, gallery, _, err := s.enrolled(ctx)
	if err != nil {
		return nil, "", err
	}
	shown, more = t.Enrolled(p, all, references, gallery.Curve())
	return shown, more, nil
}

const (
	// maxPhotographs is how many files are taken at once.
	maxPhotographs = 20
	// uploadTime bounds how long they may take to come.
	uploadTime = 10 * time.Minute
)

// submitPictures makes references of files, one after the other so that one alone is
// in memory, and says of each what became of it. What is refused is not kept.
func (s *Server) submitPictures(w http.ResponseWriter, r *http.Request) error {
	p, err := s.consenting(r)
	if err != nil {
		return err
	}
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	late := time.Now().Add(uploadTime) // by the connection's clock, where it has any
	http.NewResponseController(w).SetReadDeadline(late)
	http.NewResponseController(w).SetWriteDeadline(late)
	r.Body = http.MaxBytesReader(w, r.Body, maxPhotographs*intake.MaxBytes+maxForm)
	parts, err := r.MultipartReader()
	if err != nil {
		return errBadForm
	}
	var uploads []view.Upload
	for len(uploads) < maxPhotographs {
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return fmt.Errorf("%w: %w", errPhotographCut, err)
		}
		if part.FormName() != "picture" || part.FileName() == "" {
			continue
		}
		upload, err := s.upload(r, t, p, part)
		if err != nil {
			return err
		}
		upload.Name = part.FileName()
		uploads = append(uploads, upload)
	}
	if len(uploads) == 0 {
		uploads = []view.Upload{{Says: t.Words.Text("pictures-no-file")}}
	}
	status := http.StatusUnprocessableEntity
	for _, u := range uploads {
		if u.Kept {
			status = http.StatusOK
		}
	}
	return s.drawPictures(w, r, status, p, uploads)
}

// upload makes a reference of one file, or says what is wrong with it.
func (s *Server) upload(r *http.Request, t view.Presenter, p personJSON, file io.Reader) (u view.Upload, err error) {
	data, err := io.ReadAll(io.LimitReader(file, intake.MaxBytes+1))
	if err != nil {
		return u, fmt.Errorf("%w: %w", errPhotographCut, err)
	}
	if len(data) > intake.MaxBytes {
		err = errPhotographLarge
	}
	var got referenceJSON
	if err == nil {
		got, err = s.enrol(r, p, photograph{from: house.FromPhotograph, data: data})
	}
	if err == nil {
		return view.Upload{Kept: true, Says: got.Says}, nil
	}
	refused, known := problemOf(err)
	if !known || errors.Is(err, house.ErrNoSpace) {
		return u, err
	}
	said := refused.say(t.Words)
	return view.Upload{Says: said.Title, Remedy: said.Detail}, nil
}

// submitCandidates makes references of faces of visits.
func (s *Server) submitCandidates(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	p, err := s.consenting(r)
	if err != nil {
		return err
	}
	faces := posted.Values["face"]
	if len(faces) > candidatesShown {
		return errBadForm
	}
	added, err := s.review.Enrol(context.WithoutCancel(r.Context()), p.ID, faces)
	switch {
	case errors.Is(err, review.ErrNoPerson):
		return errPersonGone
	case errors.Is(err, house.ErrNoConsent):
		return errConsentless
	case err != nil:
		return err
	}
	return redirect(w, r, view.PicturesAddress(p.ID)+"?"+url.Values{"references": {strconv.Itoa(added)}}.Encode())
}

// showRemoveReference says what removing a reference takes.
func (s *Server) showRemoveReference(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personOf(r)
	if err != nil {
		return err
	}
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	references, _, err := s.referencesOf(r.Context(), t, p.Person)
	if err != nil {
		return err
	}
	for _, reference := range references {
		if reference.ID == r.PathValue("reference") {
			return sendPage(w, r, http.StatusOK, "confirm.html", confirmView{
				Bar: barOf(r, t.Words.Text("reference-remove-title")), Back: view.PersonAddress(p.ID) + "#pictures",
				Action: reference.Remove, Button: t.Words.Text("reference-remove-button"),
				Says: t.WouldRemove(p.Person, reference, len(references)-1), Picture: reference.Src,
			})
		}
	}
	return errNoReference
}

func (s *Server) submitRemoveReference(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personOf(r)
	if err != nil {
		return err
	}
	err = s.removeReference(r, p.ID)
	if err != nil && !errors.Is(err, errNoReference) {
		return err
	}
	forgetPictures(w)
	return redirect(w, r, view.PersonAddress(p.ID)+"?"+url.Values{"removed": {"1"}}.Encode()+"#pictures")
}

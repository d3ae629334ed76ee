package web

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
)

// language is that of those who chose none and whose browser asks for none that
// there is, and of what nobody in particular reads.
const language = "en"

// catalog has the languages there are, and speak returns the words of one; tests
// have them marked.
var (
	catalog = words.Own
	speak   = catalog.For
)

// A reader is who reads the answer to a request. It is known at the door in which
// language, and better once it is known whose session it is.
type reader struct {
	language string
	demo     bool // whether it is a demo that they look at
	unkept   bool // whether nothing can be kept
}

type readerKey struct{}

// languageName is the cookie of the language that was chosen where nobody is signed
// in. It says nothing of anybody, and so needs no prefix.
const languageName = "lintel_language"

// languageLasts is how long a browser keeps it.
const languageLasts = 365 * 24 * time.Hour

// reading has a request know the language of whoever asks: the one chosen in this
// browser, or else the best of those that it asks for.
func (s *Server) reading(r *http.Request) *http.Request {
	lang := ""
	if chosen, err := r.Cookie(languageName); err == nil && catalog.Has(chosen.Value) {
		lang = chosen.Value
	} else {
		lang = catalog.Match(r.Header.Values("Accept-Language")...)
	}
	return r.WithContext(context.WithValue(r.Context(), readerKey{}, &reader{lang, s.Demo, s.Archive.ReadOnly()}))
}

// readIn has the rest of a request said in a language that was chosen, if it was.
func readIn(r *http.Request, chosen string) {
	if who, ok := r.Context().Value(readerKey{}).(*reader); ok && catalog.Has(chosen) {
		who.language = chosen
	}
}

// languageOf is the language that whoever asks reads: that of the resident's
// account, or else of the tablet, of the browser's cookie, of what the browser asks
// for.
func languageOf(r *http.Request) string { return languageIn(r.Context()) }

func languageIn(ctx context.Context) string {
	if who, ok := ctx.Value(readerKey{}).(*reader); ok {
		return who.language
	}
	return language
}

// sayLanguage says in which language an answer is, and what that hangs on.
func sayLanguage(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Language", languageOf(r))
	w.Header()["Vary"] = []string{"Accept-Language", "Cookie"}
}

// A languageChoice is one of the languages on a page where one is chosen.
type languageChoice struct {
	Tag, Name string
	Chosen    bool
}

// choicesOfLanguage are all languages, each by the name that it has for itself.
func choicesOfLanguage(chosen string) (all []languageChoice) {
	for _, tag := range catalog.Languages() {
		all = append(all, languageChoice{tag, speak(tag).Text("language-name"), tag == chosen})
	}
	return all
}

var errNoLanguage = problem{Status: http.StatusUnprocessableEntity, Type: "bad-language", Title: "problem-bad-language"}

// submitLanguage takes the language that somebody chose for their pages: a
// resident's is kept with the account, and else the browser keeps it. What a tablet
// on the wall shows is for residents to choose, on Upkeep.
func (s *Server) submitLanguage(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	chosen := posted.Get("language")
	if !catalog.Has(chosen) {
		return errNoLanguage
	}
	found, err := s.sessionOf(r)
	switch {
	case errors.Is(err, house.ErrNotFound):
		s.setCookie(w, languageName, chosen, languageLasts)
		err = nil
	case err == nil && found.Resident == "":
		err = errResidentsOnly
	case err == nil:
		err = s.chooseLanguage(r, found, chosen)
	}
	if err != nil {
		return err
	}
	return redirect(w, r, backAddress(posted.Get("back")))
}

// backAddress is where a form leads back to, if that is a page of this server.
func backAddress(back string) string {
	if strings.HasPrefix(back, "/") && !strings.HasPrefix(back, "//") && !strings.ContainsAny(back, "\\\r\n") {
		return back
	}
	return "/"
}

func (s *Server) chooseLanguage(r *http.Request, who house.Session, chosen string) error {
	ctx := house.By(r.Context(), actor(who))
	return absent(s.Archive.SetResidentLanguage(ctx, who.Resident, chosen), errNotSignedIn)
}

// putLanguage is submitLanguage for programs: it answers what was chosen.
func (s *Server) putLanguage(w http.ResponseWriter, r *http.Request) error {
	chosen, err := languageSent(w, r)
	if err == nil {
		err = s.chooseLanguage(r, session(r), chosen)
	}
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, languageJSON{chosen})
}

type languageJSON struct {
	Language string `json:"language"`
}

// languageSent reads a language that a program chose. The error is errNoLanguage.
func languageSent(w http.ResponseWriter, r *http.Request) (string, error) {
	var sent languageJSON
	if err := bodyJSON(w, r, &sent); err != nil {
		return "", err
	}
	if sent.Language != "" && !catalog.Has(sent.Language) {
		return "", errNoLanguage
	}
	return sent.Language, nil
}

// putTabletLanguage and submitTabletLanguage choose what a tablet reads; "" leaves
// it to its browser.
func (s *Server) putTabletLanguage(w http.ResponseWriter, r *http.Request) error {
	chosen, err := languageSent(w, r)
	if err == nil {
		err = s.Archive.SetTabletLanguage(r.Context(), r.PathValue("tablet"), chosen)
	}
	if err != nil {
		return absent(err, errNoTablet)
	}
	return s.listTablets(w, r)
}

func (s *Server) submitTabletLanguage(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	chosen := posted.Get("language")
	if chosen != "" && !catalog.Has(chosen) {
		return errNoLanguage
	}
	if err := s.Archive.SetTabletLanguage(r.Context(), r.PathValue("tablet"), chosen); err != nil {
		return absent(err, errNoTablet)
	}
	return redirect(w, r, tabletAddress(r.PathValue("tablet"))+"?saved")
}

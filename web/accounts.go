package web

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"github.com/alexedwards/argon2id"

	"lintel/internal/house"
)

// Bounds on what people choose. NIST SP 800-63B asks for at least 8
// characters, no rules about their kinds, and room for passphrases.
const (
	minPassword = 10  // characters
	maxPassword = 256 // bytes, so that nobody makes the server hash a book
	maxName     = 60  // characters
	maxForm     = 16 << 10
)

// costs are those of hashing a password: the second recommended option of
// RFC 9106, section 4, for machines without 2 GiB to spare. They are kept with
// each hash, so they can be raised at any time.
var costs = &argon2id.Params{Memory: 64 << 10, Iterations: 3, Parallelism: 4, SaltLength: 16, KeyLength: 32}

// decoy is what passwords are checked against when there is no such resident,
// so that the answer takes as long as for a wrong password.
var decoy = sync.OnceValues(func() (string, error) {
	return argon2id.CreateHash(rand.Text(), costs)
})

// SetUpToken returns the token of a set-up link, and whether one is needed:
// it is while there is no resident.
func (s *Server) SetUpToken(ctx context.Context) (token string, needed bool, err error) {
	residents, err := s.Archive.Residents(ctx)
	if err != nil || len(residents) > 0 {
		return "", false, err
	}
	return s.tickets.issue(forSetUp, "", setUpLasts), true, nil
}

// A form is what the pages around signing in show.
type form struct {
	Action  string // where it is sent to
	Title   string
	Token   string // of the ticket, if one is needed
	Name    string // as typed before
	Message string // what was wrong
}

func (s *Server) setUpPage(w http.ResponseWriter, r *http.Request) {
	s.ticketPage(w, r, forSetUp, form{Action: "/set-up", Title: "Set Lintel up"})
}

func (s *Server) joinPage(w http.ResponseWriter, r *http.Request) {
	s.ticketPage(w, r, forJoining, form{Action: "/join", Title: "Join this household"})
}

// ticketPage shows the form that makes a resident, to who has the ticket.
func (s *Server) ticketPage(w http.ResponseWriter, r *http.Request, p purpose, f form) {
	f.Token = r.URL.Query().Get("token")
	if !s.tickets.valid(f.Token, p) {
		staleLink(w, r)
		return
	}
	writePage(w, http.StatusOK, "account.html", f)
}

func staleLink(w http.ResponseWriter, r *http.Request) {
	writeProblem(w, r, problem{
		Status: http.StatusGone, Type: "stale-link", Title: "This link has been used, or is too old.",
		Detail: "A new set-up link is printed when the server starts and nobody lives here yet; a new invitation is made on Upkeep.",
	})
}

func (s *Server) setUp(w http.ResponseWriter, r *http.Request) {
	s.makeAccount(w, r, forSetUp, form{Action: "/set-up", Title: "Set Lintel up"})
}

func (s *Server) join(w http.ResponseWriter, r *http.Request) {
	s.makeAccount(w, r, forJoining, form{Action: "/join", Title: "Join this household"})
}

// makeAccount makes a resident for the bearer of a ticket and signs them in.
func (s *Server) makeAccount(w http.ResponseWriter, r *http.Request, p purpose, f form) {
	if !readForm(w, r) {
		return
	}
	f.Token, f.Name = r.PostForm.Get("token"), strings.TrimSpace(r.PostForm.Get("name"))
	if !s.tickets.valid(f.Token, p) {
		staleLink(w, r)
		return
	}
	password := r.PostForm.Get("password")
	if f.Message = complaint(f.Name, password, r.PostForm.Get("again")); f.Message != "" {
		writePage(w, http.StatusUnprocessableEntity, "account.html", f)
		return
	}
	hash, err := s.hashPassword(r.Context(), password)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if _, ok := s.tickets.use(f.Token, p); !ok { // somebody was faster
		staleLink(w, r)
		return
	}
	resident, err := s.Archive.AddResident(r.Context(), f.Name, hash)
	if errors.Is(err, house.ErrExists) {
		// The ticket is not lost over a name.
		f.Token = s.tickets.issue(p, "", joiningLasts)
		f.Message = "Somebody here has this name already. Choose another."
		writePage(w, http.StatusConflict, "account.html", f)
		return
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if p == forSetUp {
		s.tickets.void(forSetUp)
	}
	s.Log.Info("a resident was added", "resident", resident.ID)
	s.startSession(w, r, resident.ID)
}

// complaint says what is wrong with a name and a password, or "".
func complaint(name, password, again string) string {
	switch {
	case name == "" || utf8.RuneCountInString(name) > maxName:
		return fmt.Sprintf("A name has 1 to %d characters.", maxName)
	case utf8.RuneCountInString(password) < minPassword:
		return fmt.Sprintf("A password has at least %d characters; a few words in a row are easy to remember.", minPassword)
	case len(password) > maxPassword:
		return fmt.Sprintf("A password has at most %d bytes.", maxPassword)
	case password != again:
		return "The two passwords are not the same."
	}
	return ""
}

func (s *Server) signInPage(w http.ResponseWriter, r *http.Request) {
	writePage(w, http.StatusOK, "sign-in.html", form{})
}

func (s *Server) signIn(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	f := form{Name: strings.TrimSpace(r.PostForm.Get("name"))}
	if !s.attempts.allow(r) {
		s.tooManyAttempts(w, "sign-in.html", f)
		return
	}
	resident, err := s.Archive.Resident(r.Context(), f.Name)
	if errors.Is(err, house.ErrNotFound) {
		resident.PasswordHash, err = decoy()
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	right, err := s.checkPassword(r.Context(), r.PostForm.Get("password"), resident.PasswordHash)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if !right || resident.ID == "" {
		s.Log.Warn("somebody could not sign in", "from", r.RemoteAddr)
		f.Message = "That name and password don't go together."
		writePage(w, http.StatusUnauthorized, "sign-in.html", f)
		return
	}
	s.startSession(w, r, resident.ID)
}

func (s *Server) tooManyAttempts(w http.ResponseWriter, page string, f form) {
	w.Header().Set("Retry-After", "30")
	f.Message = "That was tried too often. Wait half a minute, then try again."
	writePage(w, http.StatusTooManyRequests, page, f)
}

// startSession signs a resident in.
func (s *Server) startSession(w http.ResponseWriter, r *http.Request, resident string) {
	token, err := s.Archive.StartResidentSession(r.Context(), resident)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.enter(w, r, token, house.ResidentSession)
}

// enter gives the browser a session, in place of any it had, and goes to Now.
func (s *Server) enter(w http.ResponseWriter, r *http.Request, token string, lasts time.Duration) {
	s.endSession(r)
	s.setCookie(w, token, lasts)
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

func (s *Server) endSession(r *http.Request) {
	if c, err := r.Cookie(s.cookieName()); err == nil {
		if err := s.Archive.EndSession(r.Context(), c.Value); err != nil {
			s.Log.Error("ending a session", "err", err)
		}
	}
}

func (s *Server) signOut(w http.ResponseWriter, r *http.Request) {
	s.endSession(r)
	s.setCookie(w, "", -time.Second)
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
}

func (s *Server) pairPage(w http.ResponseWriter, r *http.Request) {
	writePage(w, http.StatusOK, "pair.html", form{})
}

// pair turns the browser into a tablet of the household, for the code that a
// resident's screen shows.
func (s *Server) pair(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	f := form{Name: strings.TrimSpace(r.PostForm.Get("name"))}
	if !s.attempts.allow(r) {
		s.tooManyAttempts(w, "pair.html", f)
		return
	}
	if f.Name == "" || utf8.RuneCountInString(f.Name) > maxName {
		f.Message = "Give the tablet a name, such as the room it hangs in."
		writePage(w, http.StatusUnprocessableEntity, "pair.html", f)
		return
	}
	code := strings.Join(strings.Fields(r.PostForm.Get("code")), "")
	by, ok := s.tickets.use(code, forPairing)
	if !ok {
		s.Log.Warn("a tablet could not be paired", "from", r.RemoteAddr)
		f.Message = "That code is not valid, or is older than five minutes. Make a new one on a resident's Upkeep screen."
		writePage(w, http.StatusUnauthorized, "pair.html", f)
		return
	}
	token, err := s.Archive.PairTablet(r.Context(), f.Name, by)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.Log.Info("a tablet was paired", "by", by)
	s.enter(w, r, token, house.TabletSession)
}

// readForm reads a posted form, or answers that it can't.
func readForm(w http.ResponseWriter, r *http.Request) bool {
	r.Body = http.MaxBytesReader(w, r.Body, maxForm)
	if err := r.ParseForm(); err != nil {
		writeProblem(w, r, problem{Status: http.StatusBadRequest, Type: "bad-form", Title: "The form could not be read."})
		return false
	}
	return true
}

// readBool reads a posted form and a field of it that is true or false, or
// answers that it can't; title says what a form without that field lacks.
func readBool(w http.ResponseWriter, r *http.Request, field, title string) (value, ok bool) {
	if !readForm(w, r) {
		return false, false
	}
	text := r.PostForm.Get(field)
	if text != "true" && text != "false" {
		writeProblem(w, r, problem{Status: http.StatusBadRequest, Type: "bad-form", Title: title})
		return false, false
	}
	return text == "true", true
}

// Hashing takes 64 MB for a moment, so only as many at once as s.hashing holds.

func (s *Server) hashPassword(ctx context.Context, password string) (hash string, err error) {
	err = s.inTurn(ctx, func() error {
		hash, err = argon2id.CreateHash(password, costs)
		return err
	})
	return hash, err
}

func (s *Server) checkPassword(ctx context.Context, password, hash string) (right bool, err error) {
	if len(password) > maxPassword {
		return false, nil
	}
	err = s.inTurn(ctx, func() error {
		right, err = argon2id.ComparePasswordAndHash(password, hash)
		return err
	})
	return right, err
}

func (s *Server) inTurn(ctx context.Context, f func() error) error {
	select {
	case s.hashing <- struct{}{}:
		defer func() { <-s.hashing }()
	case <-ctx.Done():
		return ctx.Err()
	}
	if err := f(); err != nil {
		return fmt.Errorf("hashing a password: %w", err)
	}
	return nil
}

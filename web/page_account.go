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

func (s *Server) showSetUp(w http.ResponseWriter, r *http.Request) error {
	return s.ticketPage(w, r, forSetUp, form{Action: "/set-up", Title: "Set Lintel up"})
}

func (s *Server) showJoin(w http.ResponseWriter, r *http.Request) error {
	return s.ticketPage(w, r, forJoining, form{Action: "/join", Title: "Join this household"})
}

// ticketPage shows the form that makes a resident, to who has the ticket.
func (s *Server) ticketPage(w http.ResponseWriter, r *http.Request, p purpose, f form) error {
	f.Token = r.URL.Query().Get("token")
	if !s.tickets.valid(f.Token, p) {
		return errStaleLink
	}
	return sendPage(w, r, http.StatusOK, "account.html", f)
}

func (s *Server) submitSetUp(w http.ResponseWriter, r *http.Request) error {
	return s.makeAccount(w, r, forSetUp, form{Action: "/set-up", Title: "Set Lintel up"})
}

func (s *Server) submitJoin(w http.ResponseWriter, r *http.Request) error {
	return s.makeAccount(w, r, forJoining, form{Action: "/join", Title: "Join this household"})
}

// makeAccount makes a resident for the bearer of a ticket and signs them in.
func (s *Server) makeAccount(w http.ResponseWriter, r *http.Request, p purpose, f form) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	f.Token, f.Name = posted.Get("token"), posted.text("name")
	if !s.tickets.valid(f.Token, p) {
		return errStaleLink
	}
	password := posted.Get("password")
	if f.Message = complaint(f.Name, password, posted.Get("again")); f.Message != "" {
		return sendPage(w, r, http.StatusUnprocessableEntity, "account.html", f)
	}
	hash, err := s.hashPassword(r.Context(), password)
	if err != nil {
		return err
	}
	if _, ok := s.tickets.use(f.Token, p); !ok { // somebody was faster
		return errStaleLink
	}
	resident, err := s.Archive.AddResident(r.Context(), f.Name, hash)
	if errors.Is(err, house.ErrExists) {
		// The ticket is not lost over a name.
		f.Token = s.tickets.issue(p, "", joiningLasts)
		f.Message = "Somebody here has this name already. Choose another."
		return sendPage(w, r, http.StatusConflict, "account.html", f)
	}
	if err != nil {
		return err
	}
	if p == forSetUp {
		s.tickets.void(forSetUp)
	}
	s.Log.Info("a resident was added", "resident", resident.ID)
	return s.startSession(w, r, resident.ID)
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

func (s *Server) showSignIn(w http.ResponseWriter, r *http.Request) error {
	return sendPage(w, r, http.StatusOK, "sign-in.html", form{})
}

func (s *Server) submitSignIn(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	f := form{Name: posted.text("name")}
	if !s.attempts.allow(r) {
		return tooManyAttempts(w, r, "sign-in.html", f)
	}
	resident, err := s.Archive.Resident(r.Context(), f.Name)
	if errors.Is(err, house.ErrNotFound) {
		resident.PasswordHash, err = decoy()
	}
	if err != nil {
		return err
	}
	right, err := s.checkPassword(r.Context(), posted.Get("password"), resident.PasswordHash)
	if err != nil {
		return err
	}
	if !right || resident.ID == "" {
		s.Log.Warn("somebody could not sign in", "from", r.RemoteAddr)
		f.Message = "That name and password don't go together."
		return sendPage(w, r, http.StatusUnauthorized, "sign-in.html", f)
	}
	return s.startSession(w, r, resident.ID)
}

func tooManyAttempts(w http.ResponseWriter, r *http.Request, page string, f form) error {
	w.Header().Set("Retry-After", "30")
	f.Message = "That was tried too often. Wait half a minute, then try again."
	return sendPage(w, r, http.StatusTooManyRequests, page, f)
}

// startSession signs a resident in.
func (s *Server) startSession(w http.ResponseWriter, r *http.Request, resident string) error {
	token, err := s.Archive.StartResidentSession(r.Context(), resident)
	if err != nil {
		return err
	}
	return s.enter(w, r, token, house.ResidentSession)
}

// enter gives the browser a session, in place of any it had, and goes to Now.
func (s *Server) enter(w http.ResponseWriter, r *http.Request, token string, lasts time.Duration) error {
	s.endSession(r)
	s.setCookie(w, token, lasts)
	return redirect(w, r, "/")
}

func (s *Server) endSession(r *http.Request) {
	if c, err := r.Cookie(s.cookieName()); err == nil {
		if err := s.Archive.EndSession(r.Context(), c.Value); err != nil {
			s.Log.Error("ending a session", "err", err)
		}
	}
}

func (s *Server) submitSignOut(w http.ResponseWriter, r *http.Request) error {
	s.endSession(r)
	s.setCookie(w, "", -time.Second)
	return redirect(w, r, "/sign-in")
}

func (s *Server) showPair(w http.ResponseWriter, r *http.Request) error {
	return sendPage(w, r, http.StatusOK, "pair.html", form{})
}

// submitPair turns the browser into a tablet of the household, for the code that a
// resident's screen shows.
func (s *Server) submitPair(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	f := form{Name: posted.text("name")}
	if !s.attempts.allow(r) {
		return tooManyAttempts(w, r, "pair.html", f)
	}
	if f.Name == "" || utf8.RuneCountInString(f.Name) > maxName {
		f.Message = "Give the tablet a name, such as the room it hangs in."
		return sendPage(w, r, http.StatusUnprocessableEntity, "pair.html", f)
	}
	code := strings.Join(strings.Fields(posted.Get("code")), "")
	by, ok := s.tickets.use(code, forPairing)
	if !ok {
		s.Log.Warn("a tablet could not be paired", "from", r.RemoteAddr)
		f.Message = "That code is not valid, or is older than five minutes. Make a new one on a resident's Upkeep screen."
		return sendPage(w, r, http.StatusUnauthorized, "pair.html", f)
	}
	token, err := s.Archive.PairTablet(r.Context(), f.Name, by)
	if err != nil {
		return err
	}
	s.Log.Info("a tablet was paired", "by", by)
	return s.enter(w, r, token, house.TabletSession)
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

package web

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"strings"
	"time"

	"lintel/internal/house"
)

const maxName = 60 // characters

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
	Token   string // of the ticket or link, if one is needed
	Name    string // as typed before
	Fixed   bool   // whether the name is theirs already
	Message string // what was wrong
	Next    string // the page to go on to, "" for Now
	Unsaved bool   // whether what was sent met the end of a session
}

// An entrance is how somebody comes in who has a token, once. Its errors are
// house.ErrNotFound, for a token that is no good, and house.ErrExists.
type entrance struct {
	action string
	whose  func(ctx context.Context, token string) (name string, err error) // "" of somebody new
	enter  func(ctx context.Context, token, name, passwordHash string) (house.Resident, error)
}

// Whoever sets Lintel up is its first resident.
func (s *Server) setUp() entrance {
	return entrance{"/set-up", func(ctx context.Context, token string) (string, error) {
		residents, err := s.Archive.Residents(ctx)
		if err == nil && (len(residents) > 0 || !s.tickets.valid(token, forSetUp)) {
			err = house.ErrNotFound
		}
		return "", err
	}, func(ctx context.Context, token, name, hash string) (house.Resident, error) {
		if _, ok := s.tickets.use(token, forSetUp); !ok { // somebody was faster
			return house.Resident{}, house.ErrNotFound
		}
		s.tickets.void(forSetUp)
		return s.Archive.AddResident(ctx, name, hash)
	}}
}

// Whoever joins was invited.
func (s *Server) joining() entrance {
	return entrance{"/join", func(ctx context.Context, token string) (string, error) {
		l, err := s.Archive.LinkOf(ctx, token)
		if err == nil && l.Resident != "" {
			err = house.ErrNotFound
		}
		return "", err
	}, s.Archive.Join}
}

// Whoever forgot their password sets it anew.
func (s *Server) resetting() entrance {
	return entrance{"/reset", func(ctx context.Context, token string) (string, error) {
		l, err := s.Archive.LinkOf(ctx, token)
		if err == nil && l.Resident == "" {
			err = house.ErrNotFound
		}
		if err != nil {
			return "", err
		}
		r, err := s.residentOf(ctx, l.Resident)
		return r.Name, err
	}, func(ctx context.Context, token, _, hash string) (house.Resident, error) {
		id, err := s.Archive.ResetPassword(ctx, token, hash)
		if err != nil {
			return house.Resident{}, err
		}
		return s.residentOf(ctx, id)
	}}
}

// residentOf returns the resident of that id, or house.ErrNotFound.
func (s *Server) residentOf(ctx context.Context, id string) (house.Resident, error) {
	residents, err := s.Archive.Residents(ctx)
	if err != nil {
		return house.Resident{}, err
	}
	for _, r := range residents {
		if r.ID == id {
			return r, nil
		}
	}
	return house.Resident{}, house.ErrNotFound
}

// showEntrance shows the form, to who has the token.
func (s *Server) showEntrance(e entrance) handler {
	return func(w http.ResponseWriter, r *http.Request) error {
		f := form{Action: e.action, Token: r.URL.Query().Get("token")}
		var err error
		if f.Name, err = e.whose(r.Context(), f.Token); err != nil {
			return s.staleLink(r, err)
		}
		f.Fixed = f.Name != ""
		return sendPage(w, r, http.StatusOK, "account.html", f)
	}
}

// submitEntrance takes a name and a password of who has the token, and signs them
// in.
func (s *Server) submitEntrance(e entrance) handler {
	return func(w http.ResponseWriter, r *http.Request) error {
		posted, err := readPosted(w, r)
		if err != nil {
			return err
		}
		f := form{Action: e.action, Token: posted.Get("token")}
		if f.Name, err = e.whose(r.Context(), f.Token); err != nil {
			return s.staleLink(r, err)
		}
		if f.Fixed = f.Name != ""; !f.Fixed {
			f.Name = posted.text("name")
		}
		password := posted.Get("password")
		if err := complaint(f.Name, password, posted.Get("again")); err != nil {
			return drawRefusedEntry(w, r, "account.html", f, err)
		}
		hash, err := s.hashPassword(r.Context(), password)
		if err != nil {
			return err
		}
		resident, err := e.enter(r.Context(), f.Token, f.Name, hash)
		if errors.Is(err, house.ErrExists) { // no link is lost over a name
			return drawRefusedEntry(w, r, "account.html", f, errResidentTwice)
		}
		if err != nil {
			return s.staleLink(r, err)
		}
		if f.Fixed {
			s.Log.Info("a resident set their password anew", "resident", resident.ID)
		} else {
			s.Log.Info("a resident was added", "resident", resident.ID)
		}
		return s.enterAs(w, r, resident)
	}
}

// staleLink answers a token that is no good.
func (s *Server) staleLink(r *http.Request, err error) error {
	if errors.Is(err, house.ErrNotFound) {
		s.noteFailure(r.Context(), "link", "")
	}
	return absent(err, errStaleLink)
}

// enterAs signs a resident in who showed who they are.
func (s *Server) enterAs(w http.ResponseWriter, r *http.Request, resident house.Resident) error {
	token, err := s.startSession(r, resident)
	if err != nil {
		return err
	}
	s.knowDevice(w, r, resident)
	return s.enter(w, r, token)
}

// startSession starts a session of a resident, at the tablet if the browser is
// one.
func (s *Server) startSession(r *http.Request, resident house.Resident) (token string, err error) {
	paired, _, err := s.pairingOf(r)
	if err != nil && !errors.Is(err, house.ErrNotFound) {
		return "", err
	}
	token, err = s.Archive.SignIn(house.By(r.Context(), "resident "+resident.ID), resident, paired.Tablet)
	return token, absent(err, errPassword)
}

func (s *Server) showSignIn(w http.ResponseWriter, r *http.Request) error {
	query := r.URL.Query()
	return sendPage(w, r, http.StatusOK, "sign-in.html", form{Next: query.Get("next"), Unsaved: query.Has("unsaved")})
}

func (s *Server) submitSignIn(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	token, err := s.signIn(w, r, posted.Get("name"), posted.Get("password"))
	if err != nil {
		f := form{Name: posted.text("name"), Next: posted.Get("next"), Unsaved: posted.Has("unsaved")}
		return drawRefusedEntry(w, r, "sign-in.html", f, err)
	}
	if _, err := s.give(w, r, token); err != nil {
		return err
	}
	return redirect(w, r, s.nextPage(posted.Get("next")))
}

// busyWait is after how long to come again where too many sign in at once.
const busyWait = 5 * time.Second

// What keeps somebody from a session.
var (
	errAttempts      = problem{Status: http.StatusTooManyRequests, Type: "too-often", Title: "problem-sign-in-too-often"}
	errBusy          = problem{Status: http.StatusServiceUnavailable, Type: "busy", Title: "problem-busy", Wait: busyWait}
	errPassword      = problem{Status: http.StatusUnauthorized, Type: "wrong-password", Title: "problem-sign-in-wrong"}
	errResidentTwice = problem{Status: http.StatusConflict, Type: "name-taken", Title: "problem-account-name-taken"}
	errTabletName    = problem{Status: http.StatusUnprocessableEntity, Type: "bad-name", Title: "problem-pair-name"}
	errPairingCode   = problem{Status: http.StatusUnauthorized, Type: "wrong-code", Title: "problem-pair-code-wrong"}
)

// signIn starts a session of the resident who has the name and the password, and has
// the browser known. The errors are errAttempts with a wait, errPassword and errBusy.
func (s *Server) signIn(w http.ResponseWriter, r *http.Request, name, password string) (token string, err error) {
	name = strings.TrimSpace(name)
	resident, err := s.Archive.Resident(r.Context(), name)
	if errors.Is(err, house.ErrNotFound) {
		resident.PasswordHash, err = decoy, nil
	}
	if err != nil {
		return "", err
	}
	try, err := s.entry.try(cmp.Or(resident.ID, name), s.deviceOf(r, resident), networkOf(r))
	if err != nil {
		return "", err
	}
	right, err := s.checkPassword(context.WithValue(r.Context(), turnKey{}, try.who), password, resident.PasswordHash)
	if errors.Is(err, errBusy) {
		try.unmade()
	}
	if err != nil {
		return "", err
	}
	if !right || resident.ID == "" {
		s.Log.Warn("somebody could not sign in", "from", r.RemoteAddr)
		s.noteFailure(r.Context(), "sign-in", resident.ID)
		return "", errPassword
	}
	try.right()
	s.knowDevice(w, r, resident)
	return s.startSession(r, resident)
}

// drawRefusedEntry shows the form once more, with what was wrong.
func drawRefusedEntry(w http.ResponseWriter, r *http.Request, page string, f form, err error) error {
	if p := (problem{}); errors.As(err, &p) {
		p.sayWhen(w)
		f.Message = p.message(speak(languageOf(r)))
		return sendPage(w, r, p.Status, page, f)
	}
	return err
}

// enter gives the browser a session, and goes to Now.
func (s *Server) enter(w http.ResponseWriter, r *http.Request, token string) error {
	if _, err := s.give(w, r, token); err != nil {
		return err
	}
	return redirect(w, r, "/")
}

// submitSignOut leaves a tablet the tablet that it was.
func (s *Server) submitSignOut(w http.ResponseWriter, r *http.Request) error {
	_, _, err := s.pairingOf(r)
	s.leave(w, r)
	if err == nil {
		return redirect(w, r, "/")
	}
	return redirect(w, r, "/sign-in")
}

// pairingCode makes a code by which a tablet is paired.
func (s *Server) pairingCode(r *http.Request) (string, error) {
	return s.tickets.issueDigits(forPairing, session(r).Resident, pairingLasts)
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
	token, err := s.pair(r, posted.Get("name"), posted.Get("code"))
	if err != nil {
		return drawRefusedEntry(w, r, "pair.html", form{Name: posted.text("name")}, err)
	}
	return s.enter(w, r, token)
}

// pair starts the session of a tablet that has a pairing code. The errors are
// errAttempts, errTabletName and errPairingCode.
func (s *Server) pair(r *http.Request, name, code string) (token string, err error) {
	name = strings.TrimSpace(name)
	if err := nameComplaint(name, errTabletName); err != nil {
		return "", err
	}
	from := networkOf(r)
	if wait := s.entry.strangers.Try(from); wait > 0 {
		return "", tooSoon(wait)
	}
	by, ok := s.tickets.use(strings.Join(strings.Fields(code), ""), forPairing)
	if !ok {
		s.Log.Warn("a tablet could not be paired", "from", r.RemoteAddr)
		s.noteFailure(r.Context(), "pairing", "")
		return "", errPairingCode
	}
	s.entry.strangers.Right(from)
	token, err = s.Archive.PairTablet(house.By(r.Context(), "resident "+by), name, by)
	if err != nil { // house.ErrNotFound: whoever made the code was removed
		return "", absent(err, errPairingCode)
	}
	s.Log.Info("a tablet was paired", "by", by)
	return token, nil
}

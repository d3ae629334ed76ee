package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"time"

	"lintel/web/view"
)

// A residentsView is what the page of residents shows.
type residentsView struct {
	Bar           barView
	Residents     []residentLine
	Invitations   []invitationLine
	Link          string // an invitation just made
	Sessions      []sessionLine
	WrongPassword string
	NewPassword   bool // whether who looks has one since just now
}

type residentLine struct {
	Name, Since string
	You         bool
	RemoveAt    string // address of the page that asks whether to
}

type invitationLine struct {
	By         string // "" if it was made by command
	Until      string
	WithdrawAt string
}

type sessionLine struct {
	Name, Browser, Tablet, Seen, Since string
	Own                                bool
	EndAt                              string
}

func (s *Server) showResidents(w http.ResponseWriter, r *http.Request) error {
	return s.drawResidents(w, r, http.StatusOK, residentsView{NewPassword: r.URL.Query().Has("changed")})
}

func (s *Server) drawResidents(w http.ResponseWriter, r *http.Request, status int, page residentsView) error {
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	page.Bar = barOf(r, t.Words.Text("residents-title"))
	residents, err := s.Archive.Residents(r.Context())
	if err != nil {
		return err
	}
	for _, who := range residents {
		page.Residents = append(page.Residents, residentLine{Name: who.Name, Since: t.Moment(who.AddedAt),
			You: who.ID == session(r).Resident, RemoveAt: residentAddress(who.ID) + "/remove"})
	}
	if len(residents) == 1 {
		page.Residents[0].RemoveAt = ""
	}
	if err := errors.Join(s.fillInvitations(r.Context(), t, &page), s.fillSessions(r, t, &page)); err != nil {
		return err
	}
	return sendPage(w, r, status, "residents.html", page)
}

func residentAddress(id string) string { return "/upkeep/residents/" + url.PathEscape(id) }

func (s *Server) fillInvitations(ctx context.Context, t view.Presenter, page *residentsView) error {
	links, err := s.Archive.Invitations(ctx)
	for _, l := range links {
		page.Invitations = append(page.Invitations, invitationLine{l.Maker, t.Moment(l.ExpiresAt),
			"/upkeep/invitations/" + url.PathEscape(l.ID) + "/withdraw"})
	}
	return err
}

func (s *Server) fillSessions(r *http.Request, t view.Presenter, page *residentsView) error {
	sessions, err := s.Archive.ResidentSessions(r.Context())
	if err != nil {
		return err
	}
	tablets, err := s.Archive.Tablets(r.Context())
	names := make(map[string]string)
	for _, tablet := range tablets {
		names[tablet.ID] = tablet.Name
	}
	for _, o := range sessions {
		page.Sessions = append(page.Sessions, sessionLine{Name: o.Name, Browser: t.Browser(o.Browser), Tablet: names[o.At],
			Seen: t.Moment(o.SeenAt), Since: t.Moment(o.StartedAt), Own: o.ID == session(r).ID,
			EndAt: "/upkeep/sessions/" + url.PathEscape(o.ID) + "/end"})
	}
	return err
}

// showRemoveResident says what goes with a resident, and what stays.
func (s *Server) showRemoveResident(w http.ResponseWriter, r *http.Request) error {
	who, err := s.residentOf(r.Context(), r.PathValue("resident"))
	if err != nil {
		return absent(err, errNoResident)
	}
	tablets, err := s.Archive.Tablets(r.Context())
	if err != nil {
		return err
	}
	programs, err := s.Archive.Programs(r.Context())
	if err != nil {
		return err
	}
	t := view.Presenter{Words: speak(languageOf(r))}
	says := []string{t.Words.Text("resident-remove-goes", "Name", who.Name)}
	var paired, made []string
	for _, tablet := range tablets {
		if tablet.PairedBy == who.Name { // no two have one name
			paired = append(paired, tablet.Name)
		}
	}
	for _, p := range programs {
		if p.MadeBy == who.ID {
			made = append(made, p.Name)
		}
	}
	if len(paired) > 0 {
		says = append(says, t.Words.Text("resident-remove-tablets", "Names", t.Words.List(paired)))
	}
	if len(made) > 0 {
		says = append(says, t.Words.Text("resident-remove-programs", "Names", t.Words.List(made)))
	}
	says = append(says, t.Words.Text("resident-remove-stays", "Name", who.Name), t.Words.Text("resident-remove-knows"))
	return sendPage(w, r, http.StatusOK, "confirm.html", confirmView{
		Bar: barOf(r, t.Words.Text("resident-remove-title")), Back: "/upkeep/residents", Says: says,
		Action: residentAddress(who.ID) + "/remove", Button: t.Words.Text("resident-remove-button", "Name", who.Name),
	})
}

// submitRemoveResident leads whoever removed themselves to where they sign in, as
// any page does.
func (s *Server) submitRemoveResident(w http.ResponseWriter, r *http.Request) error {
	err := s.removeResident(r)
	if errors.Is(err, errNoResident) {
		err = nil // as was wanted
	}
	if err != nil {
		return err
	}
	return redirect(w, r, "/upkeep/residents")
}

func (s *Server) submitInvitation(w http.ResponseWriter, r *http.Request) error {
	_, address, err := s.invite(r)
	if err != nil {
		return err
	}
	return s.drawResidents(w, r, http.StatusOK, residentsView{Link: address})
}

func (s *Server) submitWithdrawInvitation(w http.ResponseWriter, r *http.Request) error {
	return afterRemoval(w, r, s.Archive.WithdrawInvitation(r.Context(), r.PathValue("invitation")), "/upkeep/residents")
}

func (s *Server) submitEndSession(w http.ResponseWriter, r *http.Request) error {
	return afterRemoval(w, r, s.Archive.EndSession(r.Context(), r.PathValue("session")), "/upkeep/residents")
}

// What keeps a resident from another password.
var (
	errCurrentPassword = problem{Status: http.StatusUnprocessableEntity, Type: "wrong-password",
		Title: "problem-password-wrong"}
	errPasswordOften = problem{Status: http.StatusTooManyRequests, Type: "wrong-password-often",
		Title: "problem-password-often"}
)

const passwordMiss = "password"

// changePassword gives the resident who asks another password. All their sessions
// end, so that whoever had one, or a copy of this one, is out; the token is that of
// a new one. It goes on when whoever asks hangs up: a wrong password has to be
// counted.
func (s *Server) changePassword(r *http.Request, current, password, again string) (token string, err error) {
	ctx := context.WithoutCancel(r.Context())
	who, err := s.residentOf(ctx, session(r).Resident)
	if err != nil {
		return "", absent(err, errNotSignedIn)
	}
	if err := s.checkGuess(ctx, guess{passwordMiss, who.ID, current, who.PasswordHash}, errCurrentPassword,
		errPasswordOften); err != nil {
		return "", err
	}
	if err := complaint(who.Name, password, again); err != nil {
		return "", err
	}
	if who.PasswordHash, err = s.hashPassword(ctx, password); err != nil {
		return "", err
	}
	if err := s.Archive.SetPassword(ctx, who.ID, who.PasswordHash); err != nil {
		return "", absent(err, errNotSignedIn)
	}
	return s.startSession(r, who)
}

func (s *Server) submitPassword(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	token, err := s.changePassword(r, posted.Get("current"), posted.Get("password"), posted.Get("again"))
	if p := (problem{}); errors.As(err, &p) && p.Status != http.StatusUnauthorized {
		return s.drawResidents(w, r, p.Status, residentsView{WrongPassword: p.message(speak(languageOf(r)))})
	}
	if err == nil {
		_, err = s.give(w, r, token)
	}
	if err != nil {
		return err
	}
	return redirect(w, r, "/upkeep/residents?changed")
}

// A guess is at what a resident knows.
type guess struct{ of, resident, tried, hash string }

// Bounds of guesses by whoever stands before a screen: so many wrong ones within a
// wait, then none is looked at.
const (
	guessesLately = 5
	guessWait     = 15 * time.Minute
	guessesADay   = 20
)

// checkGuess compares a guess with the hash. Guesses are checked one after the
// other, so that many at once are counted, too. The errors are wrong and often.
func (s *Server) checkGuess(ctx context.Context, g guess, wrong, often problem) error {
	s.pins.Lock()
	defer s.pins.Unlock()
	misses, err := s.Archive.MissesSince(ctx, s.Now().Add(-24*time.Hour))
	if err != nil {
		return err
	}
	lately, today := 0, 0
	for _, m := range misses {
		if m.What == g.of && m.Whom == g.resident {
			today++
			if s.Now().Sub(m.At) < guessWait {
				lately++
			}
		}
	}
	if lately >= guessesLately || today >= guessesADay {
		return often
	}
	right, err := s.checkPassword(ctx, g.tried, g.hash)
	if err != nil {
		return err
	}
	if !right {
		return errors.Join(wrong, s.Archive.AddMiss(ctx, g.of, g.resident))
	}
	return nil
}

package web

import (
	"cmp"
	"context"
	"maps"
	"net/http"
	"slices"
	"time"

	"lintel/internal/house"
	"lintel/web/view"
)

// Whoever stands before a tablet may be a guest. So what counts as a resident's word is
// taken there only with the PIN of one, each time: it holds for that one request. A page
// that is for residents opens by a PIN too, and is open until nobody used it for
// [house.AtTabletIdle], as by a password.

// A pinView is what the page shows that asks for a resident's PIN.
type pinView struct {
	Title   string
	Says    string
	Action  string // where it is sent to
	Fields  []field
	Hands   []house.Resident // who has a PIN
	Names   string           // of all residents
	Message string           // what was wrong
	SignIn  bool             // whether a password does as well
	Back    string
}

// hand takes a tablet's request for that of the resident whose PIN came with it. It
// reports false where it has answered itself, by asking for one.
func (s *Server) hand(w http.ResponseWriter, r *http.Request) (as *http.Request, ok bool, err error) {
	posted, err := readPosted(w, r)
	if err != nil {
		return nil, false, err
	}
	if posted.Get("pin") == "" {
		return nil, false, s.askPIN(w, r, posted, nil)
	}
	resident := posted.Get("resident")
	if err := s.checkPIN(r.Context(), resident, posted.Get("pin")); err != nil {
		return nil, false, s.askPIN(w, r, posted, err)
	}
	r.PostForm.Del("pin")
	r.Form.Del("pin")
	who := session(r)
	who.Resident, who.At, who.Tablet, who.Rules = resident, who.Tablet, "", house.TabletRules{}
	return r.WithContext(house.By(context.WithValue(r.Context(), sessionKey{}, who), actor(who))), true, nil
}

// askPIN asks for a resident's PIN, and keeps what was sent for the next try.
func (s *Server) askPIN(w http.ResponseWriter, r *http.Request, posted postedForm, why error) error {
	words := speak(languageOf(r))
	page := pinView{Title: words.Text("hand-title"), Says: words.Text("hand-says"), Action: r.URL.Path, Back: "/"}
	if visit := r.PathValue("visit"); visit != "" {
		page.Back = view.VisitAddress(visit)
	}
	for _, name := range slices.Sorted(maps.Keys(posted.Values)) {
		if name != "pin" && name != "resident" {
			for _, value := range posted.Values[name] {
				page.Fields = append(page.Fields, field{name, value})
			}
		}
	}
	return s.drawPIN(w, r, page, cmp.Or(why, error(errHand)))
}

// drawPIN shows who may, and asks for the PIN of one.
func (s *Server) drawPIN(w http.ResponseWriter, r *http.Request, page pinView, why error) error {
	p, known := problemOf(why)
	if !known {
		return why
	}
	if !wantsPage(r) {
		return why
	}
	residents, err := s.Archive.Residents(r.Context())
	if err != nil {
		return err
	}
	var names []string
	for _, who := range residents {
		names = append(names, who.Name)
		if who.PINHash != "" {
			page.Hands = append(page.Hands, who)
		}
	}
	page.Names = speak(languageOf(r)).List(names)
	if p.Type != errHand.Type && p.Type != errResidentsOnly.Type {
		page.Message = p.message(speak(languageOf(r)))
	}
	p.sayWhen(w)
	return sendPage(w, r, p.Status, "pin.html", page)
}

// refuseTablet says at a tablet who may what it may not, and offers that they do.
func (s *Server) refuseTablet(w http.ResponseWriter, r *http.Request, why error) error {
	who := session(r)
	if !wantsPage(r) || who.Tablet == "" {
		return why
	}
	words := speak(languageOf(r))
	page := pinView{Title: words.Text("hand-refused"), SignIn: true, Back: "/"}
	if r.Method == http.MethodGet {
		page.Fields = []field{{"to", r.URL.RequestURI()}}
		page.Action = "/tablet/sign-in"
	}
	if who.Rules.Guest {
		page.Says = words.Text("hand-guests")
	}
	return s.drawPIN(w, r, page, why)
}

// submitTabletSignIn signs a resident in at a tablet by their PIN, which is something
// they know beside the tablet, which they have (NIST SP 800-63B, section 4.2.1).
func (s *Server) submitTabletSignIn(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	tablet := session(r)
	if tablet.Tablet == "" {
		return redirect(w, r, backAddress(posted.Get("to")))
	}
	to := field{"to", backAddress(posted.Get("to"))}
	if err := s.checkPIN(r.Context(), posted.Get("resident"), posted.Get("pin")); err != nil {
		return s.drawPIN(w, r, pinView{Title: speak(languageOf(r)).Text("hand-refused"), SignIn: true, Back: "/",
			Action: r.URL.Path, Fields: []field{to}}, err)
	}
	resident, err := s.residentOf(r.Context(), posted.Get("resident"))
	if err != nil {
		return absent(err, errPINWrong)
	}
	token, err := s.startSession(r, resident)
	if err != nil {
		return err
	}
	if _, err := s.give(w, r, token); err != nil {
		return err
	}
	return redirect(w, r, to.Value)
}

// submitGuests has the tablet that asks show neither names nor what was. Anybody may
// ask for that; it ends by a resident's PIN, or on Upkeep.
func (s *Server) submitGuests(w http.ResponseWriter, r *http.Request) error {
	return s.haveGuests(w, r, true)
}

func (s *Server) submitGuestsGone(w http.ResponseWriter, r *http.Request) error {
	return s.haveGuests(w, r, false)
}

// haveGuests says of the tablet that asks, or at which a resident does, whether there
// are guests. In a resident's own browser that changes nothing.
func (s *Server) haveGuests(w http.ResponseWriter, r *http.Request, guests bool) error {
	tablets, err := s.Archive.Tablets(r.Context())
	if err != nil {
		return err
	}
	at := cmp.Or(session(r).Tablet, session(r).At)
	for _, t := range tablets {
		if t.ID != at {
			continue
		}
		t.Rules.Guest = guests
		if err := s.Archive.SetTabletRules(r.Context(), t.ID, t.Rules); err != nil {
			return absent(err, errNoTablet)
		}
	}
	return redirect(w, r, "/")
}

// guestsSee is for how long a ring is shown while there are guests in the house.
const guestsSee = 10 * time.Minute

// shownTo returns those of some visits that Now shows to whoever asks: with guests in
// the house those of the last minutes, veiled.
func shownTo(who house.Session, now time.Time, visits []house.Visit) (shown []house.Visit) {
	if !who.Rules.Guest {
		return visits
	}
	for _, v := range visits {
		if now.Sub(v.ReceivedAt) <= guestsSee {
			shown = append(shown, view.Veiled(v))
		}
	}
	return shown
}

// tellOver has the page begin anew once guests have seen a ring for long enough.
func (s *Server) tellOver(ctx context.Context, who house.Session, conn line, c *screen) error {
	if !who.Rules.Guest {
		return nil
	}
	latest, err := s.Archive.LatestVisits(ctx, shownVisits)
	if err != nil {
		return err
	}
	before := c.seen
	if c.seen = len(shownTo(who, s.Now(), latest)); c.seen >= before {
		return nil
	}
	return conn.send(event{Type: "missed", Revision: c.known})
}

// maySee reports whether pictures of a visit are for whoever asks: a tablet that shows
// Now alone has those of today and of the latest, and with guests there of the last.
func (s *Server) maySee(r *http.Request, visit string) error {
	who := session(r)
	if who.Tablet == "" || who.Rules.Allows(house.MayLook) {
		return nil
	}
	latest, err := s.Archive.LatestVisits(r.Context(), shownVisits)
	if err != nil {
		return err
	}
	of := func(v house.Visit) bool { return v.ID == visit }
	if slices.ContainsFunc(shownTo(who, s.Now(), latest), of) {
		return nil
	}
	if !who.Rules.Guest {
		v, err := s.Archive.Visit(r.Context(), visit)
		if err != nil {
			return absent(err, errVisitGone)
		}
		zone := s.zone(r.Context())
		if v.ReceivedAt.In(zone).Format(time.DateOnly) == s.Now().In(zone).Format(time.DateOnly) {
			return nil
		}
	}
	return errVisitGone
}

// A tabletView is what the page of a tablet shows.
type tabletView struct {
	Bar     barView
	Action  string
	Choices []mayChoice
	Rules   house.TabletRules
	Saved   bool

	Languages []languageChoice // none is chosen where it reads as its browser asks for
}

type mayChoice struct {
	May    house.TabletMay
	Chosen bool
}

func tabletAddress(id string) string { return "/upkeep/tablets/" + id }

func (s *Server) showTablet(w http.ResponseWriter, r *http.Request) error {
	tablets, err := s.Archive.Tablets(r.Context())
	if err != nil {
		return err
	}
	i := slices.IndexFunc(tablets, func(t house.Tablet) bool { return t.ID == r.PathValue("tablet") })
	if i < 0 {
		return errNoTablet
	}
	t := tablets[i]
	page := tabletView{Bar: barOf(r, speak(languageOf(r)).Text("tablet-title", "Name", t.Name)),
		Action: tabletAddress(t.ID), Rules: t.Rules, Saved: r.URL.Query().Has("saved")}
	page.Languages = choicesOfLanguage(t.Language)
	for _, may := range house.TabletMays {
		page.Choices = append(page.Choices, mayChoice{may, may == t.Rules.May})
	}
	return sendPage(w, r, http.StatusOK, "tablet.html", page)
}

func (s *Server) submitTablet(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	rules := house.TabletRules{May: house.TabletMay(posted.Get("may")), Guest: posted.Has("guest"), Blur: posted.Has("blur")}
	if err := s.Archive.SetTabletRules(r.Context(), r.PathValue("tablet"), rules); err != nil {
		return absent(err, errNoTablet)
	}
	return redirect(w, r, tabletAddress(r.PathValue("tablet"))+"?saved")
}

// putTablet is submitTablet for programs. It answers with the tablets.
func (s *Server) putTablet(w http.ResponseWriter, r *http.Request) error {
	var rules house.TabletRules
	if err := bodyJSON(w, r, &rules); err != nil {
		return err
	}
	if err := s.Archive.SetTabletRules(r.Context(), r.PathValue("tablet"), rules); err != nil {
		return absent(err, errNoTablet)
	}
	return s.listTablets(w, r)
}

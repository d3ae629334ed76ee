package web

import (
	"context"
	"errors"
	"net/http"

	"lintel/internal/house"
)

// A guard is who gets through to a handler.
type guard string

const (
	open     guard = "open"     // anybody
	anyone   guard = "anyone"   // residents and tablets
	looker   guard = "looker"   // residents, and tablets that may look at more than Now
	answerer guard = "answerer" // residents, and tablets that may answer
	byHand   guard = "by-hand"  // residents, at such a tablet by their PIN
	byPIN    guard = "by-pin"   // residents, at any tablet by their PIN
	resident guard = "resident" // residents only

	// Programs get through these, and no others, by an API token with the scope
	// of the same name; and besides them tablets and residents, or residents.
	readVisits    guard = "read-visits"
	readNow       guard = "read-now" // what Now shows, by the scope read-visits
	readAdvice    guard = "read-advice"
	manageSources guard = "manage-sources"
	sendMessages  guard = "send-messages"
	tellOutside   guard = "tell-temperature"
	readMetrics   guard = "read-metrics"
)

// admissions are whom a guard lets through besides residents.
var admissions = map[guard]struct {
	tablets house.TabletMay // that a tablet needs, "" where none gets through,
	pin     bool            // and whether it takes a resident's PIN besides
	scope   house.Scope     // that a program needs, "" where none gets through
}{
	anyone:        {tablets: house.MayNow},
	looker:        {tablets: house.MayLook},
	answerer:      {tablets: house.MayAnswer},
	byHand:        {tablets: house.MayAnswer, pin: true},
	byPIN:         {tablets: house.MayNow, pin: true},
	resident:      {},
	readNow:       {tablets: house.MayNow, scope: house.ReadVisits},
	readVisits:    {tablets: house.MayLook, scope: house.ReadVisits},
	readAdvice:    {scope: house.ReadAdvice},
	manageSources: {scope: house.ManageSources},
	sendMessages:  {tablets: house.MayAnswer, scope: house.SendMessages},
	tellOutside:   {scope: house.TellTemperature},
	readMetrics:   {scope: house.ReadMetrics},
}

// cameFromKey is where the page is asked for anew that answers what was sent.
type cameFromKey struct{}

// guarded lets those through whom the guard admits. A browser without a session
// is sent to sign in, a program gets 401.
func (s *Server) guarded(g guard, h handler) handler {
	return func(w http.ResponseWriter, r *http.Request) error {
		found, err := s.sessionOf(r)
		if errors.Is(err, house.ErrNotFound) && wantsPage(r) {
			forgetPictures(w) // of a session that ended, where there was one
			return redirect(w, r, s.signInFor(r))
		}
		if errors.Is(err, house.ErrNotFound) {
			return s.unknown(w, r)
		}
		if err != nil {
			return err
		}
		readIn(r, found.Language)
		r = r.WithContext(house.By(context.WithValue(r.Context(), sessionKey{}, found), actor(found)))
		if err := admit(w, found, g); err != nil {
			return s.refuseTablet(w, r, err)
		}
		if r.Method == http.MethodPost {
			r = r.WithContext(context.WithValue(r.Context(), cameFromKey{}, s.pageAbove(r.URL.Path)))
		}
		s.use(r, found)
		if found.Tablet != "" && admissions[g].pin {
			as, ok, err := s.hand(w, r)
			if !ok {
				return err
			}
			r = as
		}
		return h(w, r)
	}
}

// admit reports why the guard lets somebody not through. Tablets are kept from
// much, since whoever stands before one may be a guest.
func admit(w http.ResponseWriter, who house.Session, g guard) error {
	admitted := admissions[g]
	switch {
	case who.Program != "":
		return admitProgram(w, who, admitted.scope)
	case who.Resident == "" && (admitted.tablets == "" || !who.Rules.Allows(admitted.tablets)):
		return errResidentsOnly
	}
	return nil
}

package web

import (
	"context"
	"errors"

	"lintel/internal/house"
	"lintel/web/view"
)

// presenterFor reads the rules and what bells are called, once a request.
func (s *Server) presenterFor(ctx context.Context, who house.Session) (view.Presenter, error) {
	rules, err := s.Archive.Rules(ctx)
	if toShow(err) != nil {
		return view.Presenter{}, err
	}
	bells, err := s.Archive.BellNames(ctx)
	if err != nil {
		return view.Presenter{}, err
	}
	zone, now := s.zoneBy(rules), s.Now()
	return view.Presenter{
		Rules: rules, Zone: zone, Now: now, Resident: who.Resident != "",
		Guest: who.Rules.Guest, Answers: who.Resident != "" || who.Rules.Allows(house.MayAnswer), Words: speak(languageIn(ctx)).At(now, zone).Bells(bells),
		PictureKey: s.pictureSecret.key(who),
	}, nil
}

// presenterNow is for what a live connection says over and over, of no visit: it goes
// on with the server's zone and the bells' addresses where these can't be read.
func (s *Server) presenterNow(ctx context.Context) view.Presenter {
	zone, now := s.zone(ctx), s.Now()
	return view.Presenter{Zone: zone, Now: now, Words: speak(languageIn(ctx)).At(now, zone).Bells(s.bellNames(ctx))}
}

// toShow is the error of reading what the household decided, for a page that only
// shows it, so that a resident can decide anew: that nobody vouches for it is none.
func toShow(err error) error {
	if errors.Is(err, house.ErrUnvouched) {
		return nil
	}
	return err
}

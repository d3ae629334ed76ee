package web

import (
	"context"

	"lintel/internal/house"
	"lintel/web/view"
)

// presenterFor reads the rules, once a request.
func (s *Server) presenterFor(ctx context.Context, who house.Session) (view.Presenter, error) {
	rules, err := s.Archive.Rules(ctx)
	if err != nil {
		return view.Presenter{}, err
	}
	zone, now := s.zoneBy(rules), s.Now()
	return view.Presenter{
		Rules: rules, Zone: zone, Now: now, Resident: who.Resident != "", Words: speak(language).At(now, zone),
	}, nil
}

package web

import (
	"context"
	"fmt"

	"lintel/internal/house"
	"lintel/web/view"
)

// A presenter is the views' own, with what is not a view yet.
type presenter struct{ view.Presenter }

// presenterFor reads the rules, once a request.
func (s *Server) presenterFor(ctx context.Context, who house.Session) (presenter, error) {
	rules, err := s.Archive.Rules(ctx)
	if err != nil {
		return presenter{}, err
	}
	zone, now := s.zoneBy(rules), s.Now()
	return presenter{view.Presenter{
		Rules: rules, Zone: zone, Now: now, Resident: who.Resident != "", Words: speak(language).At(now, zone),
	}}, nil
}

// counted writes a number of things: "1 day", "2 days".
func counted(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

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

// What follows is for pages that are no views yet.

func visitAddress(id string) string { return view.VisitAddress(id) }

func stillAddress(s house.Still) string { return view.StillAddress(s) }

func newWarningView(l *house.Liveness) *view.Warning {
	return view.Presenter{Words: speak(language)}.Warning(l)
}

func odds(fpir float64) string { return speak(language).Alike(fpir) }

func percent(p float64) string { return speak(language).Probability(p) }

package web

import (
	"context"
	"net/http"

	"lintel/web/view"
)

// A waitingView is what waits on Upkeep for a resident's word, or goes on.
type waitingView struct {
	Erasing []string // how far erasures of periods are
	Clock   string   // that the clock is doubted, and what it shows
	Sweep   string   // that a sweep would delete unusually much
	Aside   string   // what is kept aside
}

// erasingWords say how far erasures of periods are, those too that were broken off.
func (s *Server) erasingWords(ctx context.Context, t view.Presenter) (says []string, err error) {
	all, err := s.Archive.ErasingPeriods(ctx)
	for _, p := range all {
		would, err := s.Archive.WouldErasePeriod(ctx, p.From, p.Until)
		if err != nil {
			return nil, err
		}
		says = append(says, t.Words.Text("erasing-period", "From", t.Day(p.From), "Until", t.Day(p.Until.Add(-1)),
			"Done", max(0, p.Of-would.Visits), "Count", p.Of))
	}
	return says, err
}

// fillWaiting says what waits for a resident's word.
func (s *Server) fillWaiting(ctx context.Context, t view.Presenter, page *upkeepView) error {
	if doubt := s.Archive.ClockDoubt(); doubt != "" {
		page.Waiting.Clock = t.Words.Text("waiting-clock", "Moment", t.Moment(s.Now()),
			"Year", s.Now().In(t.Zone).Year())
	}
	sweep, waits, err := s.Archive.WaitingSweep(ctx)
	if err != nil {
		return err
	}
	if waits {
		page.Waiting.Sweep = t.Words.Text("waiting-sweep", "Count", sweep.Due, "Usual", sweep.Usual,
			"Moment", t.Moment(sweep.Until))
	}
	if page.Waiting.Erasing, err = s.erasingWords(ctx, t); err != nil {
		return err
	}
	aside, err := s.Archive.Aside()
	if err == nil && aside.Files > 0 {
		page.Waiting.Aside = t.Words.Text("waiting-aside", "Count", aside.Files, "Size", t.Words.Bytes(aside.Bytes),
			"From", t.Moment(aside.First), "Until", t.Moment(aside.Last))
	}
	return err
}

// submitTrustClock takes the server's clock as right.
func (s *Server) submitTrustClock(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.TrustClock(r.Context()); err != nil {
		return err
	}
	return redirect(w, r, "/upkeep?clock-trusted")
}

// submitAllowSweep has the next sweep delete all that the rules say.
func (s *Server) submitAllowSweep(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.AllowSweep(r.Context()); err != nil {
		return err
	}
	s.erased()
	return redirect(w, r, "/upkeep?sweep-allowed")
}

// submitTakeAside takes in again what can be of what is kept aside.
func (s *Server) submitTakeAside(w http.ResponseWriter, r *http.Request) error {
	if _, err := s.Archive.TakeAsideIn(r.Context()); err != nil {
		return err
	}
	return redirect(w, r, "/upkeep?aside-taken")
}

// submitDropAside deletes what is kept aside.
func (s *Server) submitDropAside(w http.ResponseWriter, r *http.Request) error {
	if _, err := s.Archive.DropAside(r.Context()); err != nil {
		return err
	}
	return redirect(w, r, "/upkeep?aside-dropped")
}

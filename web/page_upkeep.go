package web

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"time"

	"lintel/internal/house"
	"lintel/web/view"
)

// An upkeepView is what the page Upkeep shows.
type upkeepView struct {
	Bar       barView
	Archive   []figure
	DiskLow   bool
	Sweep     string
	SweepLost bool // whether the last sweep failed
	Backup    string
	BackupOld bool // whether there is none, or none of this week
	Bells     []bellLine
	Trials    trialsView
	Tablets   []house.Tablet
	Residents []house.Resident
	Code      string // a pairing code just made
	Link      string // an invitation just made

	Readers   view.Readers
	Receivers view.Receivers

	HasPIN   bool // whether who looks has one
	WrongPIN string
	Clock    string // what is wrong with the server's clock
}

type figure struct {
	Name, Value string
}

type bellLine struct {
	Name  string
	Heard string
}

func (s *Server) showUpkeep(w http.ResponseWriter, r *http.Request) error {
	return s.drawUpkeep(w, r, upkeepView{})
}

// drawUpkeep fills the view in and shows it.
func (s *Server) drawUpkeep(w http.ResponseWriter, r *http.Request, page upkeepView) error {
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	page.Bar = barOf(r, t.Words.Text("upkeep-title"))
	if err := s.fillArchive(r.Context(), t, &page); err != nil {
		return err
	}
	bells, err := s.Archive.Bells(r.Context())
	if err != nil {
		return err
	}
	for _, b := range bells {
		line := bellLine{b.Name, t.Words.Text("upkeep-not-heard")}
		if !b.HeardAt.IsZero() {
			line.Heard = t.Words.Text("upkeep-heard", "Moment", t.Moment(b.HeardAt))
		}
		page.Bells = append(page.Bells, line)
	}
	if page.Tablets, err = s.Archive.Tablets(r.Context()); err != nil {
		return err
	}
	if page.Residents, err = s.Archive.Residents(r.Context()); err != nil {
		return err
	}
	page.HasPIN = slices.ContainsFunc(page.Residents, func(who house.Resident) bool {
		return who.ID == session(r).Resident && who.PINHash != ""
	})
	if err := s.watchClock(r.Context()); err != nil {
		return err
	}
	page.Clock, _ = s.trouble.say(t.Words, clockBehind)
	if err := errors.Join(s.fillReaders(r.Context(), t, &page), s.fillReceivers(r.Context(), t, &page),
		s.fillTrials(r.Context(), t, &page)); err != nil {
		return err
	}
	status := http.StatusOK
	if page.Readers.Wrong+page.Receivers.Wrong+page.Receivers.Untested+page.Trials.Wrong+page.WrongPIN != "" {
		status = http.StatusUnprocessableEntity
	}
	return sendPage(w, r, status, "upkeep.html", page)
}

// backupLasts is how old the last backup may be before Upkeep warns.
const backupLasts = 7 * 24 * time.Hour

// fillArchive says what the archive holds and what was last done for it.
func (s *Server) fillArchive(ctx context.Context, t view.Presenter, page *upkeepView) error {
	f, err := s.Archive.Usage(ctx)
	if err != nil {
		return err
	}
	w := t.Words
	page.Archive = []figure{
		{w.Text("upkeep-visits"), w.Amount(f.Visits)}, {w.Text("upkeep-stills"), w.Amount(f.Stills)},
		{w.Text("upkeep-on-disk"), w.Bytes(f.Bytes)},
		{w.Text("upkeep-free-of", "Size", w.Bytes(f.DiskSize)), w.Bytes(f.Free)},
	}
	page.DiskLow = f.Low()
	page.Sweep, page.SweepLost = s.sweepWords(t)
	last, found, err := s.Archive.LastBackup(ctx)
	if err != nil {
		return err
	}
	page.BackupOld = !found || t.Now.Sub(last.At) > backupLasts || last.Lost > 0
	if !found {
		page.Backup = w.Text("upkeep-no-backup")
		return nil
	}
	page.Backup = w.Text("upkeep-backup", "Moment", t.Moment(last.At), "Count", last.Stills)
	if last.Lost > 0 {
		page.Backup += " " + w.Text("upkeep-backup-lost", "Count", last.Lost)
	}
	return nil
}

// sweepWords say when the last sweep was and what went, and whether it failed.
func (s *Server) sweepWords(t view.Presenter) (says string, failed bool) {
	var at time.Time
	var swept house.Swept
	var err error
	if s.LastSweep != nil {
		at, swept, err = s.LastSweep()
	}
	if at.IsZero() {
		return t.Words.Text("upkeep-no-sweep"), false
	}
	says = t.Words.Text("upkeep-sweep", "Moment", t.Moment(at), "Swept", t.SweptWords(swept))
	if err != nil {
		return says + " " + t.Words.Text("upkeep-sweep-failed"), true
	}
	return says, false
}

func (s *Server) submitPairingCode(w http.ResponseWriter, r *http.Request) error {
	code, err := s.pairingCode(r)
	if err != nil {
		return err
	}
	return s.drawUpkeep(w, r, upkeepView{Code: code[:4] + " " + code[4:]})
}

func (s *Server) submitInvitation(w http.ResponseWriter, r *http.Request) error {
	return s.drawUpkeep(w, r, upkeepView{Link: s.invitation(r)})
}

func (s *Server) submitUnpair(w http.ResponseWriter, r *http.Request) error {
	return afterRemoval(w, r, s.Archive.UnpairTablet(r.Context(), r.PathValue("tablet")), "/upkeep")
}

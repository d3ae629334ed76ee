package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/store"
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

	// Where factors come from and where advice goes to, what of it was added
	// just now, and why nothing was.
	Readers                    []sourceLine
	Reader                     *newSource
	Receivers                  []receiverLine
	Receiver                   *newReceiver
	Doors                      []house.Door
	WrongReader, WrongReceiver string
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
func (s *Server) drawUpkeep(w http.ResponseWriter, r *http.Request, view upkeepView) error {
	view.Bar = barOf(r, "Upkeep", "Upkeep")
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	if err := s.fillArchive(r.Context(), t, &view); err != nil {
		return err
	}
	bells, err := s.Archive.Bells(r.Context())
	if err != nil {
		return err
	}
	for _, b := range bells {
		line := bellLine{b.Name, "not heard yet"}
		if !b.HeardAt.IsZero() {
			line.Heard = "last heard " + t.Moment(b.HeardAt)
		}
		view.Bells = append(view.Bells, line)
	}
	if view.Tablets, err = s.Archive.Tablets(r.Context()); err != nil {
		return err
	}
	if view.Residents, err = s.Archive.Residents(r.Context()); err != nil {
		return err
	}
	if err := errors.Join(s.fillReaders(r.Context(), t, &view), s.fillReceivers(r.Context(), t, &view),
		s.fillTrials(r.Context(), t, &view)); err != nil {
		return err
	}
	status := http.StatusOK
	if view.WrongReader != "" || view.WrongReceiver != "" || view.Trials.Wrong != "" {
		status = http.StatusUnprocessableEntity
	}
	return sendPage(w, r, status, "upkeep.html", view)
}

// backupLasts is how old the last backup may be before Upkeep warns.
const backupLasts = 7 * 24 * time.Hour

// fillArchive says what the archive holds and what was last done for it.
func (s *Server) fillArchive(ctx context.Context, t presenter, view *upkeepView) error {
	f, err := s.Archive.Usage(ctx)
	if err != nil {
		return err
	}
	view.Archive = []figure{
		{"Visits", digits(f.Visits)}, {"Stills", digits(f.Stills)}, {"On disk", byteWords(f.Bytes)},
		{"Free of " + byteWords(f.DiskSize), byteWords(f.Free)},
	}
	view.DiskLow = f.Low()
	view.Sweep, view.SweepLost = s.sweepWords(t)
	last, found, err := s.Archive.LastBackup(ctx)
	if err != nil {
		return err
	}
	view.BackupOld = !found || t.Now.Sub(last.At) > backupLasts
	view.Backup = "There was never a backup."
	if found {
		view.Backup = fmt.Sprintf("The last backup was made on %s, with %s.", t.Moment(last.At),
			counted(last.Stills, "still"))
		if last.Lost > 0 {
			view.Backup += fmt.Sprintf(" Of %s the file was missing or changed; lintel verify says more.",
				counted(last.Lost, "still"))
			view.BackupOld = true
		}
	}
	return nil
}

// sweepWords say when the last sweep was and what went, and whether it failed.
func (s *Server) sweepWords(t presenter) (words string, failed bool) {
	if s.LastSweep == nil {
		return "No sweep was made since the server started.", false
	}
	at, swept, err := s.LastSweep()
	if at.IsZero() {
		return "No sweep was made since the server started.", false
	}
	words = fmt.Sprintf("The last sweep was on %s: %s.", t.Moment(at), sweptWords(swept))
	if err != nil {
		return words + " Something could not be done and is tried again each hour; the server's log says what.", true
	}
	return words, false
}

func sweptWords(s store.Swept) string {
	var parts []string
	if s.Visits > 0 {
		parts = append(parts, counted(s.Visits, "visit")+" went whole")
	}
	if s.Findings > 0 {
		parts = append(parts, "the stills of "+counted(s.Findings, "visit")+" went")
	}
	if s.Smaller > 0 {
		parts = append(parts, "the stills of "+counted(s.Smaller, "visit")+" got smaller")
	}
	if len(parts) == 0 {
		return "nothing was due"
	}
	return strings.Join(parts, ", ")
}

// digits writes a number with thin spaces between thousands.
func digits(n int64) string {
	s := strconv.FormatInt(n, 10)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "\u202f" + s[i:]
	}
	return s
}

// byteWords writes a number of bytes in the units of IEC 80000-13.
func byteWords(n int64) string {
	if n < 1024 {
		return fmt.Sprintf("%d bytes", n)
	}
	v, unit := float64(n), -1
	for v >= 1024 && unit < 4 {
		v, unit = v/1024, unit+1
	}
	return fmt.Sprintf("%.1f %ciB", v, "KMGTP"[unit])
}

func (s *Server) submitPairingCode(w http.ResponseWriter, r *http.Request) error {
	code, err := s.tickets.issueDigits(forPairing, session(r).Resident, pairingLasts)
	if err != nil {
		return err
	}
	return s.drawUpkeep(w, r, upkeepView{Code: code[:4] + " " + code[4:]})
}

func (s *Server) submitInvitation(w http.ResponseWriter, r *http.Request) error {
	token := s.tickets.issue(forJoining, session(r).Resident, joiningLasts)
	return s.drawUpkeep(w, r, upkeepView{Link: s.base(r) + "/join?token=" + token})
}

func (s *Server) submitUnpair(w http.ResponseWriter, r *http.Request) error {
	return afterRemoval(w, r, s.Archive.UnpairTablet(r.Context(), r.PathValue("tablet")), "/upkeep")
}

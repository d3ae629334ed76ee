package web

import (
	"context"
	"errors"
	"maps"
	"net/http"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/web/view"
)

// An upkeepView is what the page Upkeep shows.
type upkeepView struct {
	Bar       barView
	Part      string // which page of the screen, "" for the first
	Open      string // what of the first page is not folded
	Told      string // what was done just now
	Disk      view.DiskUse
	Archive   []figure
	DiskLow   bool
	Sweep     string
	SweepLost bool // whether the last sweep failed
	Backup    string
	BackupOld bool     // whether there is none, or none of this week
	Server    []figure // how the server is
	Unready   []string // what of it is not well
	Bells     bellsView
	Trials    trialsView
	Backups   backupView
	Tablets   []tabletLine
	Residents []house.Resident
	Code      string // a pairing code just made

	Readers   view.Readers
	Receivers view.Receivers

	HasPIN   bool // whether who looks has one
	WrongPIN string
	Clock    string // what is wrong with the server's clock

	Suspects []string // what somebody without the master key wrote, said by table
	Waiting  waitingView
	PutBack  string // that the whole archive is as it once was

	Damage damageView

	TLS   *upkeepTLS // nil without TLS
	Plain bool       // whether there is none
}

type figure struct {
	Name, Value string
}

type tabletLine struct {
	ID, Name, By, Seen string
}

type bellLine struct{ Name, Address string }

// opens is what somebody did something with, or what is not well, or else the bells.
func (v upkeepView) opens() string {
	switch {
	case v.Code != "":
		return "tablets"
	case v.WrongPIN != "" || v.Told != "":
		return "residents"
	case v.DiskLow || v.SweepLost || v.Backups.Ill:
		return "storage"
	case v.Clock != "" || len(v.Unready) > 0 || v.Plain || v.TLS != nil && v.TLS.Soon:
		return "notices"
	}
	return "bells"
}

func (s *Server) showUpkeep(w http.ResponseWriter, r *http.Request) error {
	return s.drawUpkeep(w, r, upkeepView{})
}

// showUpkeepOf shows one part of Upkeep, on a page of its own.
func (s *Server) showUpkeepOf(part string) handler {
	return func(w http.ResponseWriter, r *http.Request) error {
		return s.drawUpkeep(w, r, upkeepView{Part: part})
	}
}

// drawUpkeep fills the view in and shows it.
func (s *Server) drawUpkeep(w http.ResponseWriter, r *http.Request, page upkeepView) error {
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	page.Bar = barOf(r, t.Words.Text("upkeep-title"))
	for _, done := range []string{"unpaired", "pin-set", "pin-removed", "removed", "clock-trusted",
		"sweep-allowed", "aside-dropped", "aside-taken", "backups-planned", "backups-ended"} {
		if r.URL.Query().Has(done) {
			page.Told = t.Words.Text("upkeep-told-" + done)
		}
	}
	if err := s.fillArchive(r.Context(), t, &page); err != nil {
		return err
	}
	if page.Tablets, err = s.tabletLines(r.Context(), t); err != nil {
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
	if err := errors.Join(s.fillSuspects(r.Context(), t, &page), s.fillBells(r.Context(), t, &page),
		s.fillServer(r.Context(), t, &page), s.fillWaiting(r.Context(), t, &page)); err != nil {
		return err
	}
	if err := errors.Join(s.fillReaders(r.Context(), t, &page), s.fillReceivers(r.Context(), t, &page),
		s.fillTrials(r.Context(), t, &page), s.fillCertificates(r, t, &page), s.fillDamage(r.Context(), t, &page),
		s.fillBackups(r.Context(), t, &page)); err != nil {
		return err
	}
	status := http.StatusOK
	if page.Readers.Wrong+page.Receivers.Wrong+page.Receivers.Untested+page.Trials.Wrong+page.WrongPIN != "" ||
		page.Bells.Wrong+page.Backups.Wrong != "" {
		status = http.StatusUnprocessableEntity
	}
	page.Open = page.opens()
	name := "upkeep.html"
	if page.Part != "" {
		name = "upkeep-part.html"
		page.Bar.Title = t.Words.Text("upkeep-part-" + page.Part)
	}
	return sendPage(w, r, status, name, page)
}

func (s *Server) tabletLines(ctx context.Context, t view.Presenter) (lines []tabletLine, err error) {
	tablets, err := s.Archive.Tablets(ctx)
	for _, tablet := range tablets {
		lines = append(lines, tabletLine{tablet.ID, tablet.Name,
			t.Words.Text("upkeep-paired-by", "Name", tablet.PairedBy, "Moment", t.Moment(tablet.PairedAt)),
			t.Words.Text("upkeep-tablet-seen", "Browser", t.Browser(tablet.Browser), "Moment", t.Moment(tablet.SeenAt))})
	}
	return lines, err
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
	days, err := s.Archive.DiskDays(ctx)
	if err != nil {
		return err
	}
	page.Disk = t.DiskUse(days, f.Bytes, f.Free)
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

// folderWords say how the folder of a bell's does, and whether it is lost.
func (s *Server) folderWords(t view.Presenter, bell string) (says string, lost bool) {
	for _, f := range s.folders {
		st := f.Status()
		if st.Bell != bell {
			continue
		}
		if !st.LostAt.IsZero() {
			return t.Words.Text("folder-lost", "Moment", t.Moment(st.LostAt)), true
		}
		all := []string{t.Words.Text("folder-well", "Count", st.Taken)}
		if st.Waiting > 0 {
			all = append(all, t.Words.Text("folder-waiting", "Count", st.Waiting))
		}
		if st.Old > 0 {
			all = append(all, t.Words.Text("folder-old", "Count", st.Old))
		}
		for _, why := range slices.Sorted(maps.Keys(st.Refused)) {
			all = append(all, t.Words.Text("folder-refused", "Count", st.Refused[why],
				"Why", t.Words.Text("file-"+string(why))))
		}
		return strings.Join(all, " "), false
	}
	return "", false
}

func (s *Server) submitPairingCode(w http.ResponseWriter, r *http.Request) error {
	code, err := s.pairingCode(r)
	if err != nil {
		return err
	}
	return s.drawUpkeep(w, r, upkeepView{Code: code[:4] + " " + code[4:]})
}

func (s *Server) submitUnpair(w http.ResponseWriter, r *http.Request) error {
	return afterRemoval(w, r, s.Archive.UnpairTablet(r.Context(), r.PathValue("tablet")), "/upkeep?unpaired")
}

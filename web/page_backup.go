package web

import (
	"context"
	"errors"
	"net/http"
	"os"
	"path/filepath"
	"strconv"

	"lintel/internal/house"
	"lintel/store"
	"lintel/store/backup"
	"lintel/web/view"
)

// A backupView is how the server backs the archive up by itself.
type backupView struct {
	Folder   string
	Hour     int
	Hours    []int
	Key      string   // what backups are encrypted to, "" before there is one
	Planned  bool     // whether it does
	Says     []string // what came of it
	Ill      bool     // whether that is not well
	Wrong    string
	Identity *qrView // what opens them, shown once
}

var errBackupFolder error = house.Refusal("backup-folder")

// fillBackups says how backups are planned and what came of them.
func (s *Server) fillBackups(ctx context.Context, t view.Presenter, page *upkeepView) error {
	v := &page.Backups
	plan, planned, err := s.Archive.BackupPlan(ctx)
	if err != nil && !errors.Is(err, house.ErrUnvouched) { // of which Upkeep tells besides
		return err
	}
	v.Planned, v.Key = planned && err == nil, plan.Recipient
	if v.Wrong == "" {
		v.Folder, v.Hour = plan.Folder, plan.Hour
	}
	for hour := range 24 {
		v.Hours = append(v.Hours, hour)
	}
	state, err := s.Archive.BackupState(ctx)
	if err != nil || !v.Planned {
		return err
	}
	if state.Failed != "" {
		v.Ill = true
		v.Says = append(v.Says, t.Words.Text("backups-came-to-"+state.Failed, "Moment", t.Moment(state.TriedAt)))
	}
	switch {
	case state.SampleAt.IsZero():
	case state.SampleBad:
		v.Ill = true
		v.Says = append(v.Says, t.Words.Text("backups-sample-bad", "Moment", t.Moment(state.SampleAt)))
	default:
		v.Says = append(v.Says, t.Words.Text("backups-sample-well", "Moment", t.Moment(state.SampleAt)))
	}
	return nil
}

// submitBackups has the server back the archive up each day. The key that opens the backups is
// made here and shown once; nobody keeps it but who writes it down.
func (s *Server) submitBackups(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	plan, _, err := s.Archive.BackupPlan(r.Context())
	if err != nil && !errors.Is(err, house.ErrUnvouched) {
		return err
	}
	if errors.Is(err, house.ErrUnvouched) {
		plan = store.BackupPlan{}
	}
	plan.Folder = posted.Get("folder")
	hour, hourErr := strconv.Atoi(posted.Get("hour"))
	plan.Hour = max(0, min(23, hour))
	info, err := os.Stat(plan.Folder)
	if hourErr != nil || err != nil || !info.IsDir() || !filepath.IsAbs(plan.Folder) ||
		backup.Overlap(plan.Folder, s.Archive.Dir()) {
		return s.drawUpkeep(w, r, upkeepView{Part: "backups",
			Backups: backupView{Folder: plan.Folder, Hour: plan.Hour, Wrong: refused(r, errBackupFolder)}})
	}
	var identity string
	if plan.Recipient == "" || posted.Get("key") == "new" {
		if identity, plan.Recipient, err = backup.NewIdentity(); err != nil {
			return err
		}
	}
	if plan.Trial == "" {
		if plan.Trial, _, err = backup.NewIdentity(); err != nil {
			return err
		}
	}
	if err := s.Archive.SetBackupPlan(r.Context(), plan); err != nil {
		return err
	}
	if identity == "" {
		return redirect(w, r, "/upkeep?backups-planned")
	}
	code, err := qrOf(identity)
	if err != nil {
		return err
	}
	return s.drawUpkeep(w, r, upkeepView{Part: "backups", Backups: backupView{Identity: &code}})
}

// submitEndBackups has the server back up no more. What is in the folder stays there.
func (s *Server) submitEndBackups(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.SetBackupPlan(r.Context(), store.BackupPlan{}); err != nil {
		return err
	}
	return redirect(w, r, "/upkeep?backups-ended")
}

package store

import (
	"context"
	"database/sql"
	"time"
)

// A BackupPlan says how the server backs the archive up by itself: each day at an hour.
type BackupPlan struct {
	Folder    string `json:"folder"`
	Hour      int    `json:"hour"`      // by the household's clock, 0 to 23
	Recipient string `json:"recipient"` // of the key that is kept apart
	Trial     string `json:"trial"`     // the identity by which the server tries its backups
}

// A BackupState says what came of it.
type BackupState struct {
	TriedAt   time.Time `json:"tried_at"`           // the last backup that was begun
	Failed    string    `json:"failed,omitempty"`   // why it came to nothing, one of the words below
	SampleAt  time.Time `json:"sample_at,omitzero"` // when a sample was last restored,
	SampleBad bool      `json:"sample_bad,omitempty"`
}

// Why a backup came to nothing.
const (
	BackupNoFolder = "no-folder" // it is not there, or is somebody else's
	BackupDamaged  = "damaged"   // the archive is, and was backed up beside
	BackupFailed   = "failed"    // what the log says
)

const (
	backupPlan  = "backup-plan" // of the settings
	backupState = "backup-state"
)

// BackupPlan returns how the server is to back the archive up, and whether it is. The error is
// house.ErrUnvouched if somebody without the master key said so.
func (a *Archive) BackupPlan(ctx context.Context) (p BackupPlan, found bool, err error) {
	found, err = a.setting(ctx, a.read, backupPlan, &p)
	return p, found && p.Folder != "", err
}

// SetBackupPlan has the server back the archive up so; without a folder, no more.
func (a *Archive) SetBackupPlan(ctx context.Context, p BackupPlan) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		if err := a.set(ctx, tx, backupPlan, p); err != nil {
			return err
		}
		action := "planned-backups"
		if p.Folder == "" {
			action = "ended-backups"
		}
		return a.note(ctx, tx, action, "")
	})
	return spaceError(err)
}

// BackupState returns what came of the server's backups.
func (a *Archive) BackupState(ctx context.Context) (s BackupState, err error) {
	_, err = a.settingOrNone(ctx, a.read, backupState, &s)
	return s, err
}

// SetBackupState keeps what came of a backup.
func (a *Archive) SetBackupState(ctx context.Context, s BackupState) error {
	err := a.update(ctx, func(tx *sql.Tx) error { return a.set(ctx, tx, backupState, s) })
	return spaceError(err)
}

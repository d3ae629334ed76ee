package main

import (
	"context"
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"filippo.io/age"

	"lintel/internal/house"
	"lintel/store"
	"lintel/store/backup"
	"lintel/store/seal"
)

// A backer backs the archive up by itself, as the household planned on Upkeep: each day at
// its hour, and each week it restores a visit from there for a trial. A backup that came to
// nothing is tried again an hour later.
type backer struct {
	archive *store.Archive
	key     func() (seal.Key, error)
	zone    *time.Location
	log     *slog.Logger
	now     func() time.Time
}

// sampleEvery is how often a sample is restored.
const sampleEvery = 7 * 24 * time.Hour

// Run looks each minute whether a backup is due, until the context is done. A demo has no backer.
func (b *backer) Run(ctx context.Context) {
	if b == nil {
		return
	}
	ticks := time.NewTicker(time.Minute)
	defer ticks.Stop()
	for {
		if err := b.look(ctx); err != nil && ctx.Err() == nil {
			b.log.Error("backing up by itself", "err", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-ticks.C:
		}
	}
}

// look does what is due, once.
func (b *backer) look(ctx context.Context) error {
	plan, planned, err := b.archive.BackupPlan(ctx)
	if err != nil || !planned {
		return err
	}
	state, err := b.archive.BackupState(ctx)
	if err != nil {
		return err
	}
	last, _, err := b.archive.LastBackup(ctx)
	if err != nil || b.archive.ClockDoubt() != "" || !b.due(plan.Hour, last.At, state.TriedAt) {
		return err
	}
	state.TriedAt = b.now()
	err = b.backUp(ctx, plan)
	if ctx.Err() != nil {
		return nil // stopping; the next start tries again
	}
	state.Failed = whyFailed(err)
	if err == nil && b.now().Sub(state.SampleAt) >= sampleEvery {
		state.SampleAt = b.now()
		err = b.sample(ctx, plan, state)
		state.SampleBad = err != nil
	}
	return errors.Join(err, b.archive.SetBackupState(ctx, state))
}

// due reports whether the hour has come since the last backup.
func (b *backer) due(hour int, last, tried time.Time) bool {
	now := b.now().In(b.zone)
	at := time.Date(now.Year(), now.Month(), now.Day(), hour, 0, 0, 0, b.zone)
	if at.After(now) {
		at = time.Date(now.Year(), now.Month(), now.Day()-1, hour, 0, 0, 0, b.zone)
	}
	return last.Before(at) && (tried.Before(at) || now.Sub(tried) >= time.Hour)
}

// backUp writes a snapshot. A folder that is not there is made by nobody: a disk that is not
// mounted leaves an empty place on this one.
func (b *backer) backUp(ctx context.Context, plan store.BackupPlan) error {
	trial, err := age.ParseX25519Identity(plan.Trial)
	if err != nil {
		return err
	}
	if _, err := os.Stat(plan.Folder); err != nil {
		return err
	}
	began := time.Now()
	r, err := backup.Write(ctx, b.archive, plan.Folder,
		backup.Options{Recipients: []string{plan.Recipient, trial.Recipient().String()}})
	if err != nil {
		return err
	}
	b.log.Info("backed up", "snapshot", r.Snapshot, "unchanged", r.Unchanged, "stills", r.Stills, "lost", r.Lost,
		"bytes", r.Written, "took", time.Since(began).Round(time.Millisecond))
	if r.Damaged {
		return errDamagedArchive
	}
	return nil
}

func whyFailed(err error) string {
	switch {
	case err == nil:
		return ""
	case errors.Is(err, errDamagedArchive):
		return store.BackupDamaged
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, backup.ErrNotBackup), errors.Is(err, backup.ErrOtherHousehold):
		return store.BackupNoFolder
	}
	return store.BackupFailed
}

// sample restores the newest visit that was backed up with stills, and looks at them.
func (b *backer) sample(ctx context.Context, plan store.BackupPlan, state store.BackupState) error {
	trial, err := age.ParseX25519Identity(plan.Trial)
	if err != nil {
		return err
	}
	visits, err := b.archive.LatestVisits(ctx, 100)
	if err != nil {
		return err
	}
	for _, v := range visits {
		if !hasFile(v) || v.ReceivedAt.After(state.TriedAt) {
			continue
		}
		return backup.TrySample(ctx, plan.Folder, filepath.Join(b.archive.Dir(), "sample"), v.ID, backup.RestoreOptions{
			Key:        func(string) (seal.Key, error) { return b.key() },
			Identities: []age.Identity{trial}, Now: b.now})
	}
	return nil // there is nothing to look at
}

func hasFile(v house.Visit) bool {
	for _, s := range v.Stills {
		if s.File != "" {
			return true
		}
	}
	return false
}

package main

import (
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"filippo.io/age"

	"lintel/internal/house"
	"lintel/store"
	"lintel/store/backup"
	"lintel/store/seal"
)

// plannedHouse is an archive with a visit, whose backups are planned for three o'clock.
func plannedHouse(t *testing.T) (b *backer, identity age.Identity, set func(string), visit string) {
	t.Helper()
	now := time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC)
	key := seal.NewKey()
	a, err := store.Open(t.Context(), t.TempDir(), key, func() time.Time { return now })
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	if _, err := a.AddBell(t.Context(), "gate"); err != nil {
		t.Fatal(err)
	}
	visit, _, err = a.Keep(t.Context(), house.NewStill{Bell: "gate", Ring: "r1", JPEG: []byte("a picture"), Width: 640,
		Height: 480, ReceivedAt: now})
	if err != nil {
		t.Fatal(err)
	}
	text, recipient, err := backup.NewIdentity()
	if err != nil {
		t.Fatal(err)
	}
	trial, _, err := backup.NewIdentity()
	if err != nil {
		t.Fatal(err)
	}
	folder := filepath.Join(t.TempDir(), "disk")
	if err := a.SetBackupPlan(t.Context(), store.BackupPlan{Folder: folder, Hour: 3, Recipient: recipient,
		Trial: trial}); err != nil {
		t.Fatal(err)
	}
	me, err := age.ParseX25519Identity(text)
	if err != nil {
		t.Fatal(err)
	}
	b = &backer{archive: a, key: func() (seal.Key, error) { return key, nil }, zone: time.UTC,
		log: slog.New(slog.DiscardHandler), now: func() time.Time { return now }}
	return b, me, func(at string) {
		t.Helper()
		if now, err = time.Parse(time.DateTime, at); err != nil {
			t.Fatal(err)
		}
	}, visit
}

// The server backs up once a day at its hour, an hour later again where that came to nothing,
// and tries a sample each week. Its backups open with the key that is kept apart.
func TestBacker(t *testing.T) {
	b, me, at, visit := plannedHouse(t)
	plan, _, err := b.archive.BackupPlan(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	snapshots := func() int {
		all, err := filepath.Glob(filepath.Join(plan.Folder, "snapshots", "*"))
		if err != nil {
			t.Fatal(err)
		}
		return len(all)
	}
	look := func(when string, want int, failed string) store.BackupState {
		t.Helper()
		at(when)
		err := b.look(t.Context())
		s, stateErr := b.archive.BackupState(t.Context())
		if (err != nil) != (failed != "" && s.TriedAt.Equal(b.now())) || stateErr != nil ||
			s.Failed != failed || snapshots() != want {
			t.Errorf("%s: %+v, %d snapshots, %v", when, s, snapshots(), err)
		}
		return s
	}
	look("2031-05-04 18:30:00", 0, store.BackupNoFolder) // the disk is not there, and nobody makes its folder
	if _, err := os.Stat(plan.Folder); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the folder: %v", err)
	}
	if err := os.Mkdir(plan.Folder, 0o700); err != nil {
		t.Fatal(err)
	}
	look("2031-05-04 19:29:00", 0, store.BackupNoFolder) // not yet again
	s := look("2031-05-04 19:30:00", 1, "")
	if s.SampleAt.IsZero() || s.SampleBad {
		t.Errorf("no sample was tried: %+v", s)
	}
	note := func() {
		if err := b.archive.Note(t.Context(), "looked", "visit "+visit); err != nil {
			t.Fatal(err)
		}
	}
	note()
	look("2031-05-05 02:59:00", 1, "")
	if again := look("2031-05-05 03:00:00", 2, ""); !again.SampleAt.Equal(s.SampleAt) {
		t.Error("a sample was tried twice in a week")
	}
	note()
	look("2031-05-05 23:00:00", 2, "")
	look("2031-05-06 09:00:00", 3, "") // the server was off at its hour

	// A still that goes bad in the folder and in the archive is met by the next sample.
	stills, err := filepath.Glob(filepath.Join(plan.Folder, "stills", "*", "*"))
	if err != nil || len(stills) != 1 {
		t.Fatal(stills, err)
	}
	own, err := filepath.Glob(filepath.Join(b.archive.Dir(), "stills", "*", "*.still"))
	if err != nil || len(own) != 1 {
		t.Fatal(own, err)
	}
	if err := errors.Join(os.Truncate(stills[0], 9), os.Truncate(own[0], 9)); err != nil {
		t.Fatal(err)
	}
	at("2031-05-12 03:00:00")
	if err := b.look(t.Context()); err == nil {
		t.Error("the sample was taken for whole")
	}
	if s, err := b.archive.BackupState(t.Context()); err != nil || !s.SampleBad || s.Failed != "" {
		t.Errorf("%+v, %v", s, err)
	}

	master, err := b.key()
	if err != nil {
		t.Fatal(err)
	}
	r, err := backup.Restore(t.Context(), plan.Folder, filepath.Join(t.TempDir(), "data"), backup.RestoreOptions{
		Identities: []age.Identity{me}, Key: func(string) (seal.Key, error) { return master, nil }})
	if err != nil || r.Lost != 1 {
		t.Errorf("%+v, %v", r, err)
	}
}

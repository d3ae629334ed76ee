package main

import (
	"context"
	"database/sql"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store"
	"lintel/store/seal"
)

// carer returns a caretaker of the archive.
func carer(h *keptHouse) *caretaker {
	return newCaretaker(h.Archive, nil, slog.New(slog.DiscardHandler), h.now, nil, nil)
}

// breakTable overwrites the first page of a table, and opens the archive again.
func (h *keptHouse) breakTable(table string) {
	h.t.Helper()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(h.dir, "archive.db"))
	var page int64
	if err == nil {
		err = db.QueryRow(`SELECT rootpage FROM sqlite_schema WHERE name = ?`, table).Scan(&page)
	}
	if err = errors.Join(err, db.Close(), h.Close()); err != nil {
		h.t.Fatal(err)
	}
	f, err := os.OpenFile(filepath.Join(h.dir, "archive.db"), os.O_RDWR, 0)
	if err == nil {
		_, err = f.WriteAt([]byte(strings.Repeat("x", 4096)), (page-1)*4096)
		err = errors.Join(err, f.Close())
	}
	if err == nil {
		h.Archive, err = store.Open(h.t.Context(), h.dir, seal.Key{1}, h.now)
	}
	if err != nil {
		h.t.Fatal(err)
	}
}

// While SQLite finds its database damaged nothing is swept, and residents are told.
func TestNothingIsSweptFromADamagedDatabase(t *testing.T) {
	h := newKeptHouse(t)
	h.ring("R1")
	h.advance(4000 * 24 * time.Hour)
	h.breakTable("disk_days")
	c := carer(h)
	c.quickCheck(t.Context())
	c.look(t.Context())
	if all, err := h.LatestVisits(t.Context(), 5); err != nil || len(all) != 1 {
		t.Errorf("%d visits, %v", len(all), err)
	}
	sound, err := h.Soundness(t.Context())
	if err != nil || len(sound.Met) != 1 || sound.Met[0].What != house.DamagedDatabase {
		t.Errorf("%+v, %v", sound, err)
	}
}

// The whole archive is verified once a week, at night, and what is found is kept.
func TestVerifiedEachWeekAtNight(t *testing.T) {
	h := newKeptHouse(t) // in the evening
	h.ring("R1")
	c := carer(h)
	verified := func(what string, left int, at time.Time) {
		t.Helper()
		c.verify(t.Context())
		if s, err := h.Soundness(t.Context()); err != nil || s.Left != left || !s.At.Equal(at) {
			t.Errorf("%s: %+v, %v; want %d, %v", what, s, err, left, at)
		}
	}
	verified("in the evening", 0, time.Time{})
	h.advance(9 * time.Hour)
	first := h.now()
	verified("at night", 0, first)
	h.advance(3 * 24 * time.Hour)
	verified("three days later", 0, first)
	for _, path := range stillsIn(t, h.dir) {
		if err := os.WriteFile(path, []byte("something else"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	h.advance(4 * 24 * time.Hour)
	verified("a week later", 1, h.now())
	if sound, _ := h.Soundness(t.Context()); !sound.Damaged() {
		t.Error("residents are not told")
	}
	last := h.now()
	ctx, stop := context.WithCancel(t.Context())
	stop()
	h.advance(7 * 24 * time.Hour)
	c.verify(ctx)
	if s, err := h.Soundness(t.Context()); err != nil || !s.At.Equal(last) {
		t.Errorf("one that was broken off counts: %+v, %v", s, err)
	}
}

// A repair takes from a backup what is damaged, ends with a report, and what is left
// then is sound.
func TestVerifyRepairsFromABackup(t *testing.T) {
	data, flags, _ := keptRings(t, 3)
	backups := filepath.Join(t.TempDir(), "backups")
	run := func(want int, words string, args ...string) {
		t.Helper()
		status, stdout, stderr := lintelAt(t, append(args, flags...)...)
		if status != want || !strings.Contains(stdout+stderr, words) {
			t.Errorf("%q ended with %d, want %d: %q %q, want %q", args, status, want, stdout, stderr, words)
		}
	}
	run(exitRight, "", "backup", "--plain", backups)
	paths := stillsIn(t, data)
	spoil := func() {
		t.Helper()
		if err := errors.Join(os.Remove(paths[0]), os.WriteFile(paths[1], []byte("something else"), 0o600)); err != nil {
			t.Fatal(err)
		}
	}
	spoil()
	run(exitFailed, "not sound", "verify")
	run(exitUsage, "--repair", "verify", "--from", backups)
	run(exitFailed, "", "verify", "--repair", "--from", data) // which is no folder of backups
	run(exitRight, "as the backup has it", "verify", "--repair", "--from", backups)
	run(exitRight, "The archive is sound", "verify")
	if left, err := filepath.Glob(filepath.Join(filepath.Dir(data), ".lintel-mending-*")); err != nil || len(left) > 0 {
		t.Errorf("left behind: %q, %v", left, err)
	}
	if len(stillsIn(t, data)) != 3 {
		t.Error("a still is gone")
	}
}

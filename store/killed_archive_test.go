package store_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store"
	"lintel/store/backup"
	"lintel/store/internal/storetest"
	"lintel/store/seal"
)

// A killedArchive knows what must outlive every kill.
type killedArchive struct {
	dir  string
	held map[string]house.Stage // where it stood when that was first seen
	kept []keptStill
	all  bool           // whether every held visit is looked at, or a few
	sums map[string]int // what was seen how often
}

// A keptStill is the i-th that the process of that seed kept.
type keptStill struct {
	visit   string
	seed, i int
	at      time.Time
}

func (h *killedArchive) data() string { return filepath.Join(h.dir, "data") }

// open opens the archive as it is, without recovering it.
func (h *killedArchive) open(t *testing.T) *store.Archive {
	t.Helper()
	a, err := store.Open(t.Context(), h.data(), storetest.Key, fastClock)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// check starts again after a kill and compares what is there with what was
// said.
func (h *killedArchive) check(t *testing.T, s said, number int) {
	t.Helper()
	ctx := t.Context()
	if left, err := os.ReadDir(filepath.Join(h.data(), "incoming")); err == nil && len(left) > 0 {
		h.sums["half way in"]++
	}
	a := h.open(t)
	defer a.Close()
	if err := a.Lock(); err != nil {
		t.Fatal(err)
	}
	r, err := a.Recover(ctx)
	if err := errors.Join(err, a.FinishErasures(ctx)); err != nil {
		t.Fatal(err)
	}
	h.sums["files removed"] += r.Removed
	h.sums["files kept aside"] += r.Aside
	for _, file := range storetest.FilesIn(t, h.data(), "stills") {
		if strings.HasSuffix(file, ".small") { // which Verify looks at
			h.sums["small pictures"]++
		}
	}
	report, err := a.Verify(ctx, false, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range report.Problems {
		t.Errorf("verify: %+v", p)
	}
	for id := range s.erased {
		if _, err := a.Visit(ctx, id); !errors.Is(err, house.ErrNotFound) {
			t.Errorf("visit %s was erased, and is there: %v", id, err)
		}
		if _, held := h.held[id]; held || s.held[id] {
			t.Errorf("visit %s was held, and erased", id)
		}
		h.sums["erased and gone"]++
	}
	for id := range s.unnamed {
		if _, err := a.Person(ctx, id); !errors.Is(err, house.ErrNotFound) {
			t.Errorf("person %s was erased, and is there: %v", id, err)
		}
		h.sums["unnamed and gone"]++
	}
	h.checkHeld(t, a, s)
	h.checkKept(t, a, s, number)
	h.sums["backups"] += s.backups
	h.sums["sweeps"] += s.sweeps
	if s.backups > 0 {
		h.checkBackup(t)
	}
}

// checkHeld looks for visits that were ever held, those of this time and some
// others, in the end all: each is there, and stands where it stood.
func (h *killedArchive) checkHeld(t *testing.T, a *store.Archive, s said) {
	t.Helper()
	for id := range s.held {
		if _, known := h.held[id]; !known {
			h.held[id] = -1
		}
	}
	others := 0
	for id, stood := range h.held { // in another order each time
		if stood >= 0 && !h.all {
			if others++; others > 40 {
				continue
			}
		}
		v, err := a.Visit(t.Context(), id)
		if err != nil || v.Hold == nil {
			t.Errorf("visit %s was held: %v", id, err)
			continue
		}
		if stood >= 0 && v.Stage != stood {
			t.Errorf("visit %s was held at stage %d, and is at %d", id, stood, v.Stage)
		}
		h.held[id] = v.Stage
		h.sums["held and there"]++
	}
}

// checkKept looks for every still that was ever kept, until it is gone for a
// good reason: it is there, as it was or smaller, unless a rule let it go or
// its visit was erased.
func (h *killedArchive) checkKept(t *testing.T, a *store.Archive, s said, seed int) {
	t.Helper()
	all, err := a.Erasures(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	erased := make(map[string]bool)
	for _, e := range all {
		erased[e.ID] = true
	}
	for id, stills := range s.kept {
		for i, at := range stills {
			h.kept = append(h.kept, keptStill{id, seed, i, at})
		}
	}
	now := fastClock()
	h.kept = slices.DeleteFunc(h.kept, func(k keptStill) bool {
		v, err := a.Visit(t.Context(), k.visit)
		switch {
		case errors.Is(err, house.ErrNotFound) && (erased[k.visit] || !k.at.Add(3*time.Hour).After(now)):
			h.sums["kept and gone"]++
			return true
		case err == nil && v.ReceivedAt.After(k.at) && !k.at.Add(3*time.Hour).After(now) && k.i%2 == 0:
			// The visit went, and its other frame came after that.
			h.sums["kept and gone"]++
			return true
		case err != nil:
			t.Errorf("%+v, now %s: %v", k, now, err)
		default:
			h.compare(t, a, v, k.i%2, killPicture(k.seed, k.i))
		}
		return v.Hold != nil // which checkHeld looks at from now on
	})
}

// compare looks whether a frame is as far as its visit is, or farther if the
// other frame came when the visit had moved on, and nothing is so too early.
func (h *killedArchive) compare(t *testing.T, a *store.Archive, v house.Visit, frame int, whole []byte) {
	t.Helper()
	data, err := a.ReadStill(t.Context(), v.ID, frame)
	var stage house.Stage
	switch {
	case err == nil && bytes.Equal(data, whole):
		stage = house.Whole
	case err == nil && bytes.Equal(data, whole[:len(whole)/2]):
		stage = house.Smaller
	case errors.Is(err, house.ErrNotFound):
		stage = house.OnlyFindings
	default:
		t.Errorf("frame %d of visit %s at stage %d: %d of %d bytes, %v", frame, v.ID, v.Stage, len(data), len(whole), err)
		return
	}
	now, due := fastClock(), v.ReceivedAt.Add([]time.Duration{0, time.Hour, 2 * time.Hour}[stage])
	overtaken := frame == 0 && len(v.Stills) > 1 && stage > v.Stage
	if stage != v.Stage && !overtaken || due.After(now) {
		t.Errorf("frame %d of visit %s of %s at stage %d is at %d, now %s", frame, v.ID, v.ReceivedAt, v.Stage, stage, now)
	}
	h.sums[[]string{"kept and there", "smaller", "findings only"}[stage]]++
}

// checkBackup restores the newest snapshot and looks it over.
func (h *killedArchive) checkBackup(t *testing.T) {
	t.Helper()
	into := filepath.Join(t.TempDir(), "restored")
	_, err := backup.Restore(t.Context(), filepath.Join(h.dir, "backup"), into, backup.RestoreOptions{
		Key: func(string) (seal.Key, error) { return storetest.Key, nil },
		Now: fastClock,
	})
	if err != nil {
		t.Error(err)
		return
	}
	a, err := store.Open(t.Context(), into, storetest.Key, fastClock)
	if err != nil {
		t.Error(err)
		return
	}
	defer a.Close()
	err = a.Lock()
	if err == nil {
		_, err = a.Recover(t.Context())
	}
	if err := errors.Join(err, a.FinishErasures(t.Context())); err != nil {
		t.Error(err)
	}
	report, err := a.Verify(t.Context(), false, nil)
	if err != nil {
		t.Error(err)
	}
	for _, p := range report.Problems {
		t.Errorf("the backup: %+v", p)
	}
	h.sums["backups restored"]++
}

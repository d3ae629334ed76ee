package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store"
	"lintel/store/seal"
)

// A keptHouse is an archive with the bell "gate" and a clock.
type keptHouse struct {
	*store.Archive
	t     *testing.T
	dir   string
	clock atomic.Pointer[time.Time]
}

func newKeptHouse(t *testing.T) *keptHouse {
	t.Helper()
	h := &keptHouse{t: t, dir: t.TempDir()}
	h.set(time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC))
	var err error
	if h.Archive, err = store.Open(t.Context(), h.dir, seal.Key{1}, h.now); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { h.Close() })
	if _, err := h.AddBell(t.Context(), "gate"); err != nil {
		t.Fatal(err)
	}
	return h
}

func (h *keptHouse) now() time.Time          { return *h.clock.Load() }
func (h *keptHouse) set(at time.Time)        { h.clock.Store(&at) }
func (h *keptHouse) advance(d time.Duration) { h.set(h.now().Add(d)) }

func (h *keptHouse) ring(ring string) (visit string) {
	h.t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 1280, 1024)), nil); err != nil {
		h.t.Fatal(err)
	}
	visit, _, err := h.Keep(h.t.Context(), house.NewStill{
		Bell: "gate", Ring: ring, SentSHA256: sha256.Sum256([]byte(ring)), JPEG: b.Bytes(), Width: 1280, Height: 1024,
		ReceivedAt: h.now(),
	})
	if err != nil {
		h.t.Fatal(err)
	}
	v, err := h.Visit(h.t.Context(), visit)
	if err == nil {
		err = h.Record(h.t.Context(), v.Stills[0].ID, house.Done, nil)
	}
	if err != nil {
		h.t.Fatal(err)
	}
	return visit
}

// The caretaker sweeps at the start and at every tick, and makes stills
// smaller as the rules say.
func TestCaretaker(t *testing.T) {
	h := newKeptHouse(t)
	rules := house.DefaultRules()
	rules.Keep[house.NoFace] = house.Rule{Smaller: house.Period{Hours: 2}, Stills: house.Period{Hours: 5},
		Findings: house.Period{Hours: 5}}
	if err := h.SetRules(t.Context(), rules); err != nil {
		t.Fatal(err)
	}
	visit := h.ring("r1")
	stray := filepath.Join(h.dir, "stills", "QQ", "QQNOBODYSFILE.still")
	if err := errors.Join(os.MkdirAll(filepath.Dir(stray), 0o700), os.WriteFile(stray, nil, 0o600)); err != nil {
		t.Fatal(err)
	}
	hours := make(chan time.Time)
	care := newCaretaker(h.Archive, nil, slog.New(slog.NewTextHandler(t.Output(), nil)), h.now, hours, nil)
	if at, _, _ := care.LastSweep(); !at.IsZero() {
		t.Errorf("swept at %s before the start", at)
	}
	ctx, stop := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() { care.Run(ctx) })
	// A tick is taken only when the sweep before it is over.
	tick := func() house.Swept {
		hours <- h.now()
		hours <- h.now()
		_, s, err := care.LastSweep()
		if err != nil {
			t.Error(err)
		}
		return s
	}
	h.advance(2 * time.Hour)
	hours <- h.now() // the one at the start is over
	if _, err := os.Stat(stray); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a stray file is there: %v", err)
	}
	tick()
	h.hasSmaller(visit)
	h.advance(3 * time.Hour)
	tick()
	if _, err := h.Visit(t.Context(), visit); !errors.Is(err, house.ErrNotFound) {
		t.Errorf("after five hours: %v", err)
	}
	if at, _, err := care.LastSweep(); !at.Equal(h.now()) || err != nil {
		t.Errorf("last swept %s, %v", at, err)
	}

	eraseBetweenTicks(t, h, care)
	stop()
	running.Wait()
}

// hasSmaller holds that the still of a visit was made smaller.
func (h *keptHouse) hasSmaller(visit string) {
	h.t.Helper()
	v, err := h.Visit(h.t.Context(), visit)
	if err != nil || v.Stage != house.Smaller || v.Stills[0].Width != smallerSide ||
		v.Stills[0].Height != smallerSide*1024/1280 {
		h.t.Errorf("after two hours: %+v, %v", v, err)
	}
	data, err := h.ReadStill(h.t.Context(), visit, 0)
	if err != nil {
		h.t.Fatal(err)
	}
	if size, err := jpeg.DecodeConfig(bytes.NewReader(data)); err != nil || size.Width != smallerSide {
		h.t.Errorf("the still is %+v, %v", size, err)
	}
}

// eraseBetweenTicks has an erasure finished without a tick.
func eraseBetweenTicks(t *testing.T, h *keptHouse, care *caretaker) {
	t.Helper()
	visit := h.ring("r2")
	if err := h.EraseVisit(t.Context(), visit); err != nil {
		t.Fatal(err)
	}
	care.Erased()
	care.Erased() // never waits
	for gone := false; !gone; {
		_, err := h.VerifyErased(t.Context(), visit)
		gone = err == nil
		if err != nil && !errors.Is(err, store.ErrTraces) {
			t.Fatal(err)
		}
	}
}

// gateHouse is an archive with the bell gate, and the commands on it.
func gateHouse(t *testing.T) (h *keptHouse, lintel func(args ...string) (status int, out, said string)) {
	t.Helper()
	dir := t.TempDir()
	common := []string{"--data", filepath.Join(dir, "data"), "--key", filepath.Join(dir, "key")}
	lintel = func(args ...string) (int, string, string) {
		t.Helper()
		return lintelAt(t, append(args, common...)...)
	}
	if status, _, said := lintel("bell", "add", "gate"); status != exitRight {
		t.Fatal(said)
	}
	key, err := seal.ReadKey(filepath.Join(dir, "key"))
	if err != nil {
		t.Fatal(err)
	}
	a, err := store.Open(t.Context(), filepath.Join(dir, "data"), key, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	return &keptHouse{Archive: a, t: t}, lintel
}

func TestCommandsOfKeeping(t *testing.T) {
	h, lintel := gateHouse(t)
	h.set(time.Now().Add(-71 * time.Hour))
	visits := []string{h.ring("r1"), h.ring("r2"), h.ring("r3")}
	h.set(time.Now().Add(-80 * time.Hour))
	old := h.ring("old")

	for _, test := range []struct {
		args   []string
		status int
		says   string // on either output
	}{
		{[]string{"hold", "place", old, "--reason", "the insurance asks"}, exitUsage, "--until"},
		{[]string{"hold", "place", old, "--until", "2020-01-01", "--reason", "x"}, exitFailed, "end has passed"},
		{[]string{"hold", "place", old, "--until", "soon", "--reason", "x"}, exitUsage, "soon"},
		{[]string{"hold", "place", "NOBODY", "--until", time.Now().AddDate(0, 0, 2).Format(time.DateOnly), "--reason", "x"},
			exitFailed, "not found"},
		{[]string{"hold", "place", old, "--until", time.Now().AddDate(0, 0, 2).Format(time.DateOnly), "--reason",
			"the insurance asks"}, exitRight, ""},
		{[]string{"hold", "list"}, exitRight, "the insurance asks"},
		{[]string{"hold", "list", "--json"}, exitRight, `"visit": "` + old + `"`},
		{[]string{"sweep", "--dry-run"}, exitRight, "Nothing would be deleted now."},
		{[]string{"erase", old}, exitFailed, "End the hold first"},
		{[]string{"hold", "end", old}, exitRight, ""},
		{[]string{"hold", "end", old}, exitFailed, "not found"},
		{[]string{"sweep", "--dry-run", "--json"}, exitRight, `"visits": 1`},
		{[]string{"sweep", "--json"}, exitRight, `"visits": 1`},
		{[]string{"sweep"}, exitRight, "Nothing was due."},
		{[]string{"erase"}, exitUsage, "Name visits"},
		{[]string{"erase", visits[0], "--from", "2026-01-01", "--until", "2026-01-02"}, exitUsage, "Name visits"},
		{[]string{"erase", "--from", "2026-01-01"}, exitUsage, "Name visits"},
		{[]string{"erase", "--from", "2026-01-02", "--until", "2026-01-01"}, exitFailed, "ends before it begins"},
		{[]string{"erase", visits[0], "--json"}, exitRight, `"visits": 1`},
		{[]string{"erase", visits[0]}, exitFailed, "not found"},
		{[]string{"erase", "--from", time.Now().AddDate(0, 0, -5).Format(time.DateOnly), "--until",
			time.Now().Format(time.RFC3339)}, exitRight, "Visits erased: 2."},
	} {
		status, out, said := lintel(test.args...)
		if status != test.status || !bytes.Contains([]byte(out+said), []byte(test.says)) {
			t.Errorf("%v: status %d: %s%s", test.args, status, out, said)
		}
	}
	if left, err := h.LatestVisits(t.Context(), 9); err != nil || len(left) > 0 {
		t.Errorf("left %v, %v", left, err)
	}
	trail, err := h.Trail(t.Context(), 0, 100)
	if err != nil || fmt.Sprint(trail[0].Actor) != house.ByCommand {
		t.Errorf("the trail ends with %+v, %v", trail[0], err)
	}
}

// A server starts with a dead battery, in the year 2000, and its caretaker deletes
// nothing by that clock. Two minutes later a time service sets it: what is due then
// goes without waiting for the hour, and nothing else.
func TestCaretakerOfAWrongClock(t *testing.T) {
	h := newKeptHouse(t)
	var gone atomic.Int64 // time that can't be set
	var served atomic.Bool
	watch := func() {
		t.Helper()
		if err := h.WatchClock(t.Context(), store.Timekeeping{Served: served.Load, NotBefore: written,
			Elapsed: func() time.Duration { return time.Duration(gone.Load()) }}); err != nil {
			t.Fatal(err)
		}
	}
	served.Store(true)
	watch()
	due := h.ring("old")
	h.advance(70 * time.Hour)
	gone.Add(int64(70 * time.Hour))
	fresh := h.ring("fresh")
	right := h.now()

	served.Store(false)
	h.set(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
	watch()
	hours, minutes := make(chan time.Time), make(chan time.Time)
	care := newCaretaker(h.Archive, nil, slog.New(slog.NewTextHandler(t.Output(), nil)), h.now, hours, minutes)
	ctx, stop := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() { care.Run(ctx) })
	minutes <- h.now() // the sweep at the start is over
	during := h.ring("during")
	hours <- h.now()
	minutes <- h.now()
	for _, visit := range []string{due, fresh, during} {
		if _, err := h.Visit(t.Context(), visit); err != nil {
			t.Errorf("in the year 2000: %v", err)
		}
	}
	gone.Add(int64(2 * time.Minute))
	h.set(right.Add(3 * time.Hour))
	served.Store(true)
	minutes <- h.now()
	minutes <- h.now() // what the one before set off is over
	stop()
	running.Wait()
	if _, err := h.Visit(t.Context(), due); !errors.Is(err, house.ErrNotFound) {
		t.Errorf("what was due: %v", err)
	}
	for _, visit := range []string{fresh, during} {
		v, err := h.Visit(t.Context(), visit)
		if err != nil || v.ClockDoubted || v.ReceivedAt.Before(right) {
			t.Errorf("%+v, %v", v, err)
		}
	}
	if at, s, err := care.LastSweep(); err != nil || s.Visits != 1 || !at.Equal(h.now()) {
		t.Errorf("last swept at %v: %+v, %v", at, s, err)
	}
}

// What would delete unusually much says so, and does it when it is told to.
func TestSweepMuch(t *testing.T) {
	h, lintel := gateHouse(t)
	for day := range 5 {
		h.set(time.Now().AddDate(0, 0, -10-day))
		h.ring(fmt.Sprint(day))
	}
	if status, _, said := lintel("sweep"); status != exitFailed || !bytes.Contains([]byte(said), []byte("delete 5 visits")) {
		t.Errorf("status %d: %s", status, said)
	}
	if status, out, said := lintel("sweep", "--much", "--json"); status != exitRight ||
		!bytes.Contains([]byte(out), []byte(`"visits": 5`)) {
		t.Errorf("status %d: %s%s", status, out, said)
	}
}

// At night, and then alone, the room of what was erased goes back to the disk; a command
// does it where no server runs.
func TestShrinksAtNight(t *testing.T) {
	h := newKeptHouse(t)
	c := newCaretaker(h.Archive, nil, slog.New(slog.DiscardHandler), h.now, nil, nil)
	file := filepath.Join(h.dir, "archive.db")
	free := func() {
		t.Helper()
		db, err := sql.Open("sqlite", file+"?_pragma=busy_timeout(10000)")
		if err != nil {
			t.Fatal(err)
		}
		defer db.Close()
		for _, statement := range []string{`CREATE TABLE filler AS WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL
			SELECT i + 1 FROM n WHERE i < 3000) SELECT randomblob(3000) b FROM n`, `DROP TABLE filler`,
			`PRAGMA wal_checkpoint(TRUNCATE)`} {
			if _, err := db.ExecContext(t.Context(), statement); err != nil {
				t.Fatal(err)
			}
		}
	}
	size := func() int64 {
		t.Helper()
		info, err := os.Stat(file)
		if err != nil {
			t.Fatal(err)
		}
		return info.Size()
	}
	const most = 4 << 20
	free()
	h.set(time.Date(2031, 5, 5, 12, 0, 0, 0, time.Local))
	if c.shrink(t.Context()); size() < most {
		t.Error("it shrank by day")
	}
	rules, err := h.Rules(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	h.set(time.Date(2031, 5, 6, 3, 0, 0, 0, rules.Location()))
	if c.shrink(t.Context()); size() > most {
		t.Errorf("%d bytes are left after the night", size())
	}
	free()
	key := filepath.Join(t.TempDir(), "key")
	if err := errors.Join(seal.WriteKey(key, seal.Key{1}), h.Lock()); err != nil {
		t.Fatal(err)
	}
	repair := func() {
		t.Helper()
		if status, _, said := lintelAt(t, "verify", "--repair", "--data", h.dir, "--key", key); status != exitRight {
			t.Fatal(said)
		}
	}
	if repair(); size() < most {
		t.Error("a command did it while a server ran")
	}
	h.Close()
	if repair(); size() > most {
		t.Errorf("%d bytes are left after a repair", size())
	}
}

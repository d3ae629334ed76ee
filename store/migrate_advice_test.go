package store

import (
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store/seal"
)

// TestAdviceMigrates opens an archive of the version before suggestions could be
// withdrawn: all advice, and whom it tells of, is there after.
func TestAdviceMigrates(t *testing.T) {
	ctx, c, dir := t.Context(), newClock(), t.TempDir()
	id, visit := oldAdvice(t, dir, c)
	a := openArchive(t, dir, c)
	d, err := a.Advice(ctx, id)
	if err != nil || d.State != house.Suggested || d.Visit != visit || d.Person != "P" ||
		!d.ExpiresAt.Equal(c.Now().Add(time.Minute)) || len(d.Conditions) != 1 || d.Released() {
		t.Errorf("%+v, %v", d, err)
	}
	if of, err := a.AdviceOf(ctx, "P"); err != nil || len(of) != 1 || of[0].ID != id {
		t.Errorf("of the person: %+v, %v", of, err)
	}
	if gone, err := a.Advice(ctx, "GONE"); err != nil || !slices.Equal(gone.Unmet(), []string{"home", "factors"}) {
		t.Errorf("%+v, %v", gone, err)
	}
	if misses, err := a.MissesSince(ctx, c.Ago(time.Hour)); err != nil || len(misses) != 1 || misses[0].By != "" {
		t.Errorf("misses %+v, %v", misses, err)
	}
	withdrawMigrated(t, a, c, id)
	// Once the visit is gone, the codes are left.
	if err := a.EraseVisit(ctx, visit); err != nil {
		t.Fatal(err)
	}
	if _, err := a.Advice(ctx, id); !errors.Is(err, house.ErrNotFound) {
		t.Errorf("of a visit that is erased: %v", err)
	}
	keepDoubts(t, a, c)
}

// oldDatabase makes a database of the version before a migration, and returns what
// runs a statement in it.
func oldDatabase(t *testing.T, dir, before string) (db *sql.DB, exec func(query string, args ...any)) {
	t.Helper()
	names, err := fs.Glob(migrations, "migrations/*.sql")
	if err != nil {
		t.Fatal(err)
	}
	names = names[:slices.Index(names, "migrations/"+before)]
	db, err = sql.Open("sqlite", filepath.Join(dir, "archive.db")+"?_pragma=foreign_keys(ON)")
	if err != nil {
		t.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	exec = func(query string, args ...any) {
		t.Helper()
		if _, err := db.Exec(query, args...); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range names {
		script, err := migrations.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		exec(string(script))
	}
	exec(fmt.Sprintf(`PRAGMA application_id = %d; PRAGMA user_version = %d; PRAGMA journal_mode = WAL`,
		applicationID, len(names)))
	return db, exec
}

// oldAdvice makes an archive of that version with a suggestion on a visit, advice
// that was withheld on a visit that is gone, and a miss.
func oldAdvice(t *testing.T, dir string, c *clock) (id, visit string) {
	t.Helper()
	db, exec := oldDatabase(t, dir, "0009_advice.sql")
	seals, err := seal.NewSealer(testKey)
	if err != nil {
		t.Fatal(err)
	}
	a := &Archive{dir: dir, seals: seals, now: c.Now}
	exec(`INSERT INTO master (id, mark) VALUES (1, ?)`, seals.Value([]byte("lintel"), "master.mark"))
	id, visit = newID(), a.visitID("gate", "R1")
	exec(`INSERT INTO bells (id, name, secret_hash, added_at) VALUES (?, ?, ?, 1)`, a.bellID("gate"),
		a.seal("gate", "bells.name", a.bellID("gate")), hashOf("secret"))
	exec(`INSERT INTO visits (id, bell, ring, received_at, revision, kind, counted_from) `+
		`VALUES (?, ?, ?, ?, 1, 'no-face', ?)`,
		visit, a.bellID("gate"), a.seal("R1", "visits.ring", visit), micros(c.Now()), micros(c.Now()))
	sealed, err := a.sealJSON(house.Advice{Person: "P", Conditions: []house.Condition{{Code: "on", Met: true}}},
		"advice.sealed", id)
	if err != nil {
		t.Fatal(err)
	}
	exec(`INSERT INTO advice (id, visit, state, at, expires_at, unmet, sealed) VALUES (?, ?, 'suggested', ?, ?, '', ?)`,
		id, visit, micros(c.Now()), micros(c.Now().Add(time.Minute)), sealed)
	exec(`INSERT INTO advice (id, state, at, unmet) VALUES ('GONE', 'withheld', ?, 'home,factors')`, micros(c.Now()))
	exec(`INSERT INTO advice_persons (advice, person) VALUES (?, 'P')`, id)
	exec(`INSERT INTO misses (at, what, whom) VALUES (?, 'code', 'P')`, micros(c.Now()))
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(dir, "incoming"), 0o700); err != nil {
		t.Fatal(err)
	}

	return id, visit
}

// withdrawMigrated withdraws the suggestion that was migrated.
func withdrawMigrated(t *testing.T, a *Archive, c *clock, id string) {
	t.Helper()
	ctx := t.Context()
	if err := a.WithdrawAdvice(ctx, house.Advice{ID: id, Conditions: []house.Condition{{Code: "people"},
		{Code: "rule", NotAsked: true}}}, "Q"); err != nil {
		t.Fatal(err)
	}
	d, err := a.Advice(ctx, id)
	if err != nil || d.State != house.Withdrawn || !slices.Equal(d.Unmet(), []string{"people"}) ||
		!slices.Equal(d.NotAsked(), []string{"rule"}) || !d.EndedAt.Equal(c.Now()) {
		t.Errorf("withdrawn: %+v, %v", d, err)
	}
	if of, err := a.AdviceOf(ctx, "Q"); err != nil || len(of) != 1 {
		t.Errorf("of another whom it tells of now: %+v, %v", of, err)
	}
	if err := a.WithdrawAdvice(ctx, d); !errors.Is(err, house.ErrTaken) {
		t.Errorf("withdrawn twice: %v", err)
	}
}

// keepDoubts keeps each doubt twice: the second takes the place of the first.
func keepDoubts(t *testing.T, a *Archive, c *clock) {
	t.Helper()
	ctx := t.Context()
	for _, doubt := range []house.Doubt{{Kind: house.DoubtSecret, Bell: "gate", At: c.Now()},
		{Kind: house.DoubtClock, At: c.Now()}} {
		if err := a.KeepDoubt(ctx, doubt); err != nil {
			t.Fatal(err)
		}
		doubt.At = c.Now().Add(-time.Minute)
		if err := a.KeepDoubt(ctx, doubt); err != nil {
			t.Fatal(err)
		}
	}
	doubts, err := a.Doubts(ctx)
	want := []house.Doubt{{Kind: house.DoubtClock, At: c.Ago(time.Minute)},
		{Kind: house.DoubtSecret, Bell: "gate", At: c.Ago(time.Minute)}}
	if err != nil || !slices.Equal(doubts, want) {
		t.Errorf("doubts %+v, %v", doubts, err)
	}
}

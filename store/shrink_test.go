package store

import (
	"fmt"
	"testing"
)

// leaveFree adds rows that take about as many pages, and takes them away again.
func leaveFree(t *testing.T, a *Archive, pages int) {
	t.Helper()
	for _, statement := range []string{`CREATE TABLE IF NOT EXISTS filler (b BLOB)`,
		fmt.Sprintf(`WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < %d)
			INSERT INTO filler SELECT randomblob(3000) FROM n`, pages), `DROP TABLE filler`} {
		must(t, second(a.write.ExecContext(t.Context(), statement)))
	}
	must(t, a.emptyLog(t.Context()))
}

// The file shrinks after a great erasure, and not for little.
func TestShrink(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	visit := keep(t, a, stillOf("r1", 0))
	must(t, a.emptyLog(ctx))
	size := func() int64 {
		t.Helper()
		n, err := a.databaseSize()
		must(t, err)
		return n
	}
	small := size()
	if n, err := a.Shrink(ctx, false); n != 0 || err != nil {
		t.Errorf("an archive without free pages: %d, %v", n, err)
	}
	leaveFree(t, a, slackPages-300)
	if n, err := a.Shrink(ctx, false); n != 0 || err != nil {
		t.Errorf("an archive with few: %d, %v", n, err)
	}
	leaveFree(t, a, 3000)
	large := size()
	n, err := a.Shrink(ctx, false)
	if err != nil || n != large-size() || size() > small+64<<10 || large < small+3000*pageSize {
		t.Errorf("from %d bytes to %d, said %d, was %d: %v", large, size(), n, small, err)
	}
	whole(t, a, visit)
}

// whole wants SQLite to find the database sound, and the still there.
func whole(t *testing.T, a *Archive, visit string) {
	t.Helper()
	r, err := a.Verify(t.Context(), false, nil)
	if err != nil || r.Left > 0 {
		t.Errorf("%+v, %v", r, err)
	}
	if _, err := a.ReadStill(t.Context(), visit, 0); err != nil {
		t.Error(err)
	}
}

// A database of an earlier version is written anew, once, and gives pages back from then
// on.
func TestShrinkEarlier(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	visit := keep(t, a, stillOf("r1", 0))
	for _, statement := range []string{`PRAGMA auto_vacuum = 0`, `VACUUM`} {
		must(t, second(a.write.ExecContext(ctx, statement)))
	}
	leaveFree(t, a, 3000)
	if n, err := a.Shrink(ctx, false); n < 3000*pageSize || err != nil {
		t.Errorf("written anew: %d, %v", n, err)
	}
	var mode int
	must(t, a.read.QueryRowContext(ctx, `SELECT auto_vacuum FROM pragma_auto_vacuum`).Scan(&mode))
	if mode != 2 {
		t.Errorf("its mode is %d", mode)
	}
	whole(t, a, visit)
	leaveFree(t, a, 3000)
	if n, err := a.Shrink(ctx, false); n < 3000*pageSize || err != nil {
		t.Errorf("given back: %d, %v", n, err)
	}
	whole(t, a, visit)
}

// While the file shrinks, others write between its steps.
func TestShrinkLetsWrite(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	leaveFree(t, a, 20*shrinkAtOnce)
	before := len(trailOf(t, a))
	for free := int64(1); free > 0; {
		var err error
		if free, err = a.giveBack(ctx); err != nil {
			t.Fatal(err)
		}
		must(t, a.Note(ctx, "looked", "visit X"))
	}
	if n := len(trailOf(t, a)) - before; n < 20 {
		t.Errorf("%d steps", n)
	}
	if got, err := a.CheckTrail(ctx); err != nil || int(got) != len(trailOf(t, a)) {
		t.Errorf("%d, %v", got, err)
	}
}

package store

import (
	"math/rand/v2"
	"strings"
	"testing"
)

// What can't be proven is not, and the reason is said.
func TestVerifyErasedRefuses(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	p, _ := enrolled(t, a, rand.New(rand.NewPCG(1, 2)), "Tamsin Quill", 1)
	visit, other := keep(t, a, stillOf("r1", 0)), keep(t, a, stillOf("r2", 0))
	v, err := a.Visit(ctx, visit)
	if err != nil {
		t.Fatal(err)
	}
	file := v.Stills[0].File
	prove := func(id string, want error, words string) {
		t.Helper()
		_, err := a.VerifyErased(ctx, id)
		wantError(t, err, want)
		if err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("said %v, want %q in it", err, words)
		}
	}
	run := func(statement string, args ...any) {
		t.Helper()
		if _, err := a.write.ExecContext(ctx, statement, args...); err != nil {
			t.Fatal(err)
		}
	}
	prove(visit, ErrNotErased, "is in the archive")
	prove(p.ID, ErrNotErased, "is in the archive")
	prove(file, ErrNotErased, "is in the archive")
	prove(newID(), ErrNotErased, "knows no visit")
	must(t, a.EraseVisit(ctx, visit))
	for _, id := range []string{visit, file} {
		if p, err := a.VerifyErased(ctx, id); err != nil || len(p.Checked) != 4 || p.At != a.now() {
			t.Errorf("%+v, %v", p, err)
		}
	}
	// Each thing that might be left is put there.
	run(`UPDATE stills SET sent_mac = ? WHERE visit = ?`, []byte("x"+visit+"y"), other)
	prove(visit, ErrTraces, "table stills")
	run(`UPDATE stills SET sent_mac = randomblob(32) WHERE visit = ?`, other)
	run(`INSERT INTO removals (file) VALUES (?)`, file)
	prove(file, ErrTraces, "table removals")
	prove(visit, ErrTraces, "waits to be removed")
	run(`DELETE FROM removals`)
	must(t, a.writeIncoming(file, []byte("a picture")))
	prove(visit, ErrTraces, "the file of the erased still")
	must(t, a.removeFile(file))
	run(`UPDATE counters SET value = 1 WHERE name = 'uncleaned'`)
	prove(visit, ErrTraces, "lay among rows before")
	if r, err := a.Verify(ctx, true, nil); err != nil || r.Left > 0 {
		t.Errorf("%+v, %v", r, err)
	}
	if _, err := a.VerifyErased(ctx, visit); err != nil {
		t.Error(err)
	}
}

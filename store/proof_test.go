package store

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
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

// A still of which a mask was drawn afterwards is proven erased, whatever came since.
func TestVerifyErasedOfMasked(t *testing.T) {
	a, c := newArchive(t)
	ctx := t.Context()
	var files []string
	for i := range 25 {
		visit := keep(t, a, stillOf(fmt.Sprintf("r%d", i), 0))
		v, err := a.Visit(ctx, visit)
		must(t, err)
		files = append(files, v.Stills[0].File)
		must(t, a.Note(ctx, "looked", "visit "+visit))
	}
	must(t, a.SetMasks(ctx, "gate", []house.Polygon{{{X: 0, Y: 0}, {X: 1, Y: 0}, {X: 1, Y: 1}}}))
	c.Advance(time.Minute)
	if n, err := a.MaskEarlier(ctx, "gate", blacked); err != nil || n != 25 {
		t.Fatalf("%d masked, %v", n, err)
	}
	for i, file := range files {
		must(t, a.Note(ctx, "looked", fmt.Sprintf("visit %d", i)))
		if p, err := a.VerifyErased(ctx, file); err != nil || p.What != "still" {
			t.Errorf("%s: %+v, %v", file, p, err)
		}
	}
}

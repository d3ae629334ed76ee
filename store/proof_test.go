package store

import (
	"bytes"
	"database/sql"
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
	prove(visit, ErrTraces, "not scrubbed")
	must(t, a.Scrub(ctx))
	for id, checks := range map[string]int{visit: 5, file: 4} {
		if p, err := a.VerifyErased(ctx, id); err != nil || len(p.Checked) != checks || p.At != a.now() {
			t.Errorf("%+v, %v", p, err)
		}
	}
	// Each thing that might be left is put there.
	run(`UPDATE stills SET sent_mac = ? WHERE visit = ?`, []byte("x"+visit+"y"), other)
	prove(visit, ErrTraces, "table stills")
	run(`UPDATE stills SET sent_mac = randomblob(32) WHERE visit = ?`, other)
	run(`INSERT INTO removals (file) VALUES (?)`, file)
	prove(file, ErrTraces, "table removals")
	prove(visit, ErrTraces, "not scrubbed")
	run(`DELETE FROM removals`)
	must(t, a.writeIncoming(file, []byte("a picture")))
	prove(visit, ErrTraces, "the file of the erased still")
	must(t, a.removeFile(file))
	leaveInUnused(t, a, visit)
	prove(visit, ErrTraces, "where it is not remembered")
	if r, err := a.Verify(ctx, true, nil); err != nil || r.Left > 0 || r.Leftovers > 0 {
		t.Errorf("%+v, %v", r, err)
	}
	if _, err := a.VerifyErased(ctx, visit); err != nil {
		t.Error(err)
	}
}

// leaveInUnused leaves a copy of a text in a page's unused part, as SQLite does.
func leaveInUnused(t *testing.T, a *Archive, text string) {
	t.Helper()
	ctx := t.Context()
	setDue(t, a)
	must(t, a.Scrub(ctx))
	err := a.update(ctx, func(tx *sql.Tx) error {
		var data []byte
		if err := tx.QueryRowContext(ctx,
			`SELECT data FROM sqlite_dbpage WHERE pgno = (SELECT rootpage FROM sqlite_schema
			WHERE name = 'visits')`).Scan(&data); err != nil {
			return err
		}
		gap := unused(data, false)[0]
		copy(data[gap.from+10:gap.until], text)
		_, err := tx.ExecContext(ctx,
			`UPDATE sqlite_dbpage SET data = ? WHERE pgno = (SELECT rootpage FROM sqlite_schema WHERE name = 'visits')`, data)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// A mention is found wherever in a file it stands, also across the parts that
// are read at once.
func TestFindMention(t *testing.T) {
	id := newID()
	const chunk = 1 << 20
	places := []int{0, 3, 8, 2*chunk + 70, 3*chunk - 26}
	for at := chunk - 30; at < chunk+70; at++ {
		places = append(places, at)
	}
	data := make([]byte, 3*chunk)
	for _, at := range places {
		for before, remembered := range map[string]bool{"": false, "visit": true, "visit ": true, "\x04\x00\x41\x06": true,
			"person": false} {
			if at < len(before) {
				continue
			}
			there := data[at-len(before) : at+len(id)]
			copy(there, before+id)
			read, found, err := findMention(t.Context(), bytes.NewReader(data), Erasure{What: "visit", ID: id})
			clear(there)
			want := int64(at)
			if remembered {
				want = -1
			}
			if found != want || err != nil || remembered && read != int64(len(data)) {
				t.Errorf("%q at %d: found at %d after %d bytes, want %d; %v", before, at, found, read, want, err)
			}
		}
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
	must(t, a.Scrub(ctx))
	for i, file := range files {
		must(t, a.Note(ctx, "looked", fmt.Sprintf("visit %d", i)))
		if p, err := a.VerifyErased(ctx, file); err != nil || p.What != "still" {
			t.Errorf("%s: %+v, %v", file, p, err)
		}
	}
}

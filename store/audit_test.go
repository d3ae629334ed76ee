package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// trailOf returns the whole audit trail, oldest first.
func trailOf(t *testing.T, a *Archive) []house.Entry {
	t.Helper()
	entries, err := a.Trail(t.Context(), 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	slices.Reverse(entries)
	return entries
}

// A change is something that somebody does, and what the trail says of it.
type change struct {
	name string
	do   func() error
	want []string // action and subject of the entries, * for any id
}

// A noter makes changes, each of which may need what one before it made.
type noter struct {
	a                                             *Archive
	c                                             *clock
	ctx                                           context.Context
	visit, other, person, resident, tablet, trial string
}

func newNoter(t *testing.T) *noter {
	t.Helper()
	n := &noter{ctx: house.By(t.Context(), "resident R")}
	n.a, n.c = newArchive(t)
	n.visit, n.other = keep(t, n.a, stillOf("ring-of-thursday", 0)), keep(t, n.a, stillOf("r2", 0))
	return n
}

func (n *noter) ofBellsAndPersons() []change {
	a, c, ctx, bell := n.a, n.c, n.ctx, "bell "+n.a.bellID("cellar-door")
	return []change{
		{"bell added", func() error { _, err := a.AddBell(ctx, "cellar-door"); return err }, []string{"added " + bell}},
		{"bell added again", func() error { _, err := a.AddBell(ctx, "cellar-door"); return only(err, house.ErrExists) },
			nil},
		{"bell removed", func() error { return a.RemoveBell(ctx, "cellar-door") }, []string{"removed " + bell}},
		{"bell removed again", func() error { return only(a.RemoveBell(ctx, "cellar-door"), house.ErrNotFound) }, nil},
		{"person added", func() error {
			p, err := a.AddPerson(ctx, "Tamsin Quill")
			n.person = p.ID
			return err
		}, []string{"added person *"}},
		{"consent", func() error {
			return a.RecordConsent(ctx, n.person, house.Consent{GivenBy: "Odo Fenwright", GivenAt: c.Now(),
				Scope: "the porch"})
		}, []string{"consented person *"}},
		{"consent of nobody", func() error {
			return only(a.RecordConsent(ctx, "X", house.Consent{GivenBy: "Odo Fenwright", GivenAt: c.Now(),
				Scope: "the porch"}),
				house.ErrNotFound)
		}, nil},
		{"reference", func() error {
			return a.AddReference(ctx, house.Reference{Person: n.person, FaceWidth: 90,
				Descriptor: faceOf(0.1, nil).Descriptor})
		}, []string{"enrolled person *"}},
		{"reference again", func() error {
			return only(a.AddReference(ctx, house.Reference{Person: n.person, FaceWidth: 90}), house.ErrExists)
		}, nil},
		{"resident", func() error {
			r, err := a.AddResident(ctx, "Morgan Vale", "$argon2id$not a real one")
			n.resident = r.ID
			return err
		}, []string{"added resident *"}},
		{"tablet paired", func() error { _, err := a.PairTablet(ctx, "Pantry tablet", n.resident); return err },
			[]string{"paired tablet *"}},
		{"tablet unpaired", func() error {
			ts, err := a.Tablets(ctx)
			if err != nil || len(ts) != 1 {
				return fmt.Errorf("%v, %w", ts, err)
			}
			n.tablet = ts[0].ID
			return a.UnpairTablet(ctx, n.tablet)
		}, []string{"unpaired tablet *"}},
	}
}

func (n *noter) ofRulesAndVisits() []change {
	a, c, ctx := n.a, n.c, n.ctx
	return []change{
		{"rules", func() error { return a.SetRules(ctx, house.DefaultRules()) }, []string{"changed rules"}},
		{"rules that can't be followed", func() error { return only(a.SetRules(ctx, house.Rules{}), house.ErrBadRule) },
			nil},
		{"masks", func() error {
			return a.SetMasks(ctx, "gate", []house.Polygon{{{X: 0, Y: 0}, {X: 1, Y: 0}, {X: 1, Y: 0.5}}})
		}, []string{"changed masks " + a.bellID("gate")}},
		{"stills masked", func() error {
			_, err := a.MaskEarlier(ctx, "gate", func(b []byte, _ []house.Polygon) ([]byte, error) { return b, nil })
			return err
		}, []string{"masked stills " + a.bellID("gate")}},
		{"hold", func() error { return a.PlaceHold(ctx, n.visit, "for the insurance", c.Now().Add(time.Hour)) },
			[]string{"held visit " + n.visit}},
		{"erasing what is held", func() error { return only(a.EraseVisit(ctx, n.visit), house.ErrHeld) }, nil},
		{"hold ended", func() error { return a.EndHold(ctx, n.visit) }, []string{"released visit " + n.visit}},
		{"parcel", func() error { return a.SetParcel(ctx, n.visit, true) }, []string{"changed visit " + n.visit}},
		{"looked", func() error { return a.Note(ctx, "looked", "visit "+n.visit) }, []string{"looked visit " + n.visit}},
		{"visit erased", func() error { return a.EraseVisit(ctx, n.visit) }, []string{"erased visit " + n.visit}},
	}
}

func (n *noter) ofTrials() []change {
	a, ctx := n.a, n.ctx
	return []change{
		{"trial", func() (err error) { n.trial, err = a.StartTrial(ctx, "gate", "R"); return err },
			[]string{"started trial *"}},
		{"trial beside", func() error { _, err := a.StartTrial(ctx, "gate", "R"); return only(err, house.ErrTrialRuns) },
			nil},
		{"trial goes on", func() error { return a.StepTrial(ctx, n.trial, house.TrialPrint) }, []string{"changed trial *"}},
		{"trial goes on to nowhere", func() error {
			return only(a.StepTrial(ctx, n.trial, "mask"), house.ErrTrialStep)
		}, nil},
		{"trial removed too early", func() error { return only(a.RemoveTrial(ctx, n.trial), house.ErrTrialRuns) }, nil},
		{"trial ended", func() error { return a.EndTrial(ctx, n.trial) }, []string{"changed trial *"}},
		{"trial ended again", func() error { return only(a.EndTrial(ctx, n.trial), house.ErrTrialOver) }, nil},
		{"trial removed", func() error { return a.RemoveTrial(ctx, n.trial) }, []string{"removed trial *"}},
	}
}

func (n *noter) ofWhatGoes(t *testing.T) []change {
	a, c, ctx := n.a, n.c, n.ctx
	return []change{
		{"visit erased again", func() error { return only(a.EraseVisit(ctx, n.visit), house.ErrNotFound) }, nil},
		{"period erased", func() error {
			_, err := a.ErasePeriod(ctx, c.Ago(time.Hour),
				c.Now().Add(time.Hour))
			return err
		},
			[]string{"erased from 2031-05-04T17:30:00Z until 2031-05-04T19:30:00Z", "erased visit " + n.other}},
		{"person erased", func() error { _, err := a.ErasePerson(ctx, n.person, true); return err },
			[]string{"erased person *"}},
		{"a bell rings", func() error { keep(t, a, stillOf("r3", 0)); return nil }, nil},
		{"swept", func() error {
			c.Advance(73 * time.Hour)
			_, err := a.Sweep(house.By(ctx, house.ByItself), nil)
			return err
		}, []string{"swept visits 1 stills 0 smaller 0"}},
		{"swept, and nothing was due", func() error { _, err := a.Sweep(house.By(ctx, house.ByItself), nil); return err },
			nil},
	}
}

// check makes a change, and compares what the trail has more than it had.
func (n *noter) check(t *testing.T, one change) {
	t.Helper()
	start := len(trailOf(t, n.a))
	if err := one.do(); err != nil {
		t.Fatalf("%s: %v", one.name, err)
	}
	got := trailOf(t, n.a)[start:]
	if len(got) != len(one.want) {
		t.Errorf("%s: entries %v, want %q", one.name, got, one.want)
		return
	}
	for i, e := range got {
		said := e.Action + " " + e.Subject
		want, anyID := strings.CutSuffix(one.want[i], "*")
		if anyID {
			said = said[:max(0, len(said)-26)] // an id's length
		}
		actor := "resident R"
		if e.Action == "swept" {
			actor = house.ByItself
		}
		if said != want || e.Actor != actor || e.At != n.c.Now() {
			t.Errorf("%s: %+v, want %q by %q", one.name, e, one.want[i], actor)
		}
	}
}

// Each change adds one entry, that says who did what to which id, and no more.
func TestEachChangeIsNoted(t *testing.T) {
	n := newNoter(t)
	for _, one := range slices.Concat(n.ofBellsAndPersons(), n.ofRulesAndVisits(), n.ofTrials(), n.ofMessages(),
		n.ofWhatGoes(t)) {
		n.check(t, one)
	}
	// The trail is searched for names as it lies in the database.
	var all string
	err := n.a.read.QueryRowContext(t.Context(),
		`SELECT group_concat(seq || at || actor || action || subject || hex(before) || hex(hash)) FROM audit`).Scan(&all)
	if err != nil || !strings.Contains(all, n.person) || !strings.Contains(all, n.tablet) {
		t.Fatalf("%d characters, %v", len(all), err)
	}
	for _, name := range []string{"Tamsin Quill", "Odo Fenwright", "Morgan Vale", "Pantry", "cellar-door", "gate",
		"insurance", "ring-of-thursday", "the porch"} {
		for _, form := range []string{name, strings.ToLower(name), strings.ToUpper(hex.EncodeToString([]byte(name)))} {
			if strings.Contains(all, form) {
				t.Errorf("the trail names %q", name)
			}
		}
	}
	if got, err := n.a.CheckTrail(t.Context()); err != nil || int(got) != len(trailOf(t, n.a)) {
		t.Errorf("%d entries, want %d; %v", got, len(trailOf(t, n.a)), err)
	}
}

// only turns the error that is wanted into none.
func only(err, want error) error {
	if errors.Is(err, want) {
		return nil
	}
	return fmt.Errorf("error %v, want %w", err, want)
}

// Outside: the chain is recomputed by sha256sum(1) of GNU coreutils, from the
// text of each entry alone.
func TestTrailAgainstSha256sum(t *testing.T) {
	sum, err := exec.LookPath("sha256sum")
	if err != nil {
		t.Skip("SKIPPED: there is no sha256sum here, to check the audit trail against")
	}
	a, c := newArchive(t)
	for i := range 50 {
		if err := a.Note(house.By(t.Context(), fmt.Sprintf("resident %d\twith\ntabs", i)), "looked",
			fmt.Sprintf("visit %d é\n", i)); err != nil {
			t.Fatal(err)
		}
		c.Advance(time.Duration(i*1_000_003) * time.Microsecond)
	}
	dir := t.TempDir()
	var files []string
	entries := trailOf(t, a)
	for i, e := range entries {
		if e.Seq != int64(i+1) || strings.Count(e.Text(), "\t") != 5 || strings.Count(e.Text(), "\n") != 1 {
			t.Errorf("entry %d reads %q", e.Seq, e.Text())
		}
		file := filepath.Join(dir, fmt.Sprintf("%03d", i))
		must(t, os.WriteFile(file, []byte(e.Text()), 0o600))
		files = append(files, file)
	}
	out, err := exec.Command(sum, files...).Output()
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	if len(lines) != 51 { // the bell's, and these
		t.Fatalf("%d entries", len(lines))
	}
	before := strings.Repeat("0", 64)
	for i, line := range lines {
		if text := entries[i].Text(); !strings.HasPrefix(text, before+"\t") {
			t.Errorf("entry %d begins %.64s, the one before has the hash %s", i+1, text, before)
		}
		before = line[:64]
	}
	if _, head, err := a.auditHead(t.Context(), a.read); err != nil || hex.EncodeToString(head[:]) != before {
		t.Errorf("the head is %x, the last entry has the hash %s; %v", head, before, err)
	}
}

// tamper makes raw SQL free to change the trail, and runs it.
func tamper(t *testing.T, a *Archive, statements ...string) {
	t.Helper()
	for _, s := range append([]string{`DROP TRIGGER audit_is_not_changed`, `DROP TRIGGER audit_is_only_added_to`,
		`DROP TRIGGER audit_is_not_cut`}, statements...) {
		if _, err := a.write.ExecContext(t.Context(), s); err != nil {
			t.Fatalf("%s: %v", s, err)
		}
	}
}

// swapOne makes room to put the fourth entry in the place of another.
const swapOne = `UPDATE audit SET seq = -1 WHERE seq = 4`

// A tampering is what somebody does with the database, and what is said of it.
type tampering struct {
	statements []string
	rehashFrom int64 // 0 for not at all
	want       string
}

var tamperings = map[string]tampering{
	"actor": {[]string{`UPDATE audit SET actor = 'command' WHERE seq = 4`}, 0,
		"entry 4 is not as it was"},
	"action": {[]string{`UPDATE audit SET action = 'looked at' WHERE seq = 4`}, 0,
		"entry 4 is not as it was"},
	"subject": {[]string{`UPDATE audit SET subject = subject || ' ' WHERE seq = 9`}, 0,
		"entry 9 is not as it was"},
	"time": {[]string{`UPDATE audit SET at = at + 1 WHERE seq = 1`}, 0, "entry 1 is not as it was"},
	"the last": {[]string{`UPDATE audit SET subject = '' WHERE seq = 10`}, 0,
		"entry 10 is not as it was"},
	"words moved along": {[]string{`UPDATE audit SET actor = actor || char(9) || action, action = ''
		WHERE seq = 4`}, 0, "entry 4 is not as it was"},
	"hash": {[]string{`UPDATE audit SET hash = zeroblob(32) WHERE seq = 4`}, 0,
		"entry 4 is not as it was"},
	"a longer hash": {[]string{`UPDATE audit SET hash = CAST(hash || x'00' AS BLOB) WHERE seq = 10`}, 0,
		"entry 10 is not as it was"},
	"hash before": {[]string{`UPDATE audit SET before = zeroblob(32) WHERE seq = 4`}, 0,
		"entry 4 is not as it was"},
	"a shorter one before": {[]string{`UPDATE audit SET before = x'' WHERE seq = 1`}, 0, "entry 1 is not as it was"},
	"changed, chain made anew": {[]string{`UPDATE audit SET actor = 'command' WHERE seq = 4`}, 4,
		"last entry is not the one"},
	"removed":   {[]string{`DELETE FROM audit WHERE seq = 4`}, 0, "entry 4 is missing"},
	"the first": {[]string{`DELETE FROM audit WHERE seq = 1`}, 0, "entry 1 is missing"},
	"removed and closed up": {[]string{`DELETE FROM audit WHERE seq = 4`, `UPDATE audit SET seq = -seq`,
		`UPDATE audit SET seq = iif(seq < -4, -seq - 1, -seq)`}, 1,
		"entries 10 to 10 are missing"},
	"swapped": {[]string{swapOne, `UPDATE audit SET seq = 4 WHERE seq = 5`,
		`UPDATE audit SET seq = 5 WHERE seq = -1`}, 0, "entry 4 is not as it was"},
	"swapped, made anew": {[]string{swapOne, `UPDATE audit SET seq = 4 WHERE seq = 5`,
		`UPDATE audit SET seq = 5 WHERE seq = -1`}, 1, "last entry is not the one"},
	"cut off the end": {[]string{`DELETE FROM audit WHERE seq > 7`}, 0, "entries 8 to 10 are missing"},
	"inserted": {[]string{`INSERT INTO audit SELECT 11, at, actor, action, subject, before, hash FROM audit
		WHERE seq = 10`}, 0, "entry 11 is not as it was"},
	"inserted as it should": {[]string{`INSERT INTO audit SELECT 11, at, actor, action, subject, before, hash FROM audit
		WHERE seq = 10`}, 11, "last entry is not the one"},
	"inserted before all": {[]string{`INSERT INTO audit SELECT 0, at, actor, action, subject, before, hash FROM audit
		WHERE seq = 1`}, 0, "entry 1 is missing"},
	"all":               {[]string{`DELETE FROM audit`}, 0, "entries 1 to 10 are missing"},
	"head":              {[]string{`UPDATE audit_head SET head = randomblob(68)`}, 0, "its head can't be opened"},
	"an empty head":     {[]string{`UPDATE audit_head SET head = x''`}, 0, "its head can't be opened"},
	"all with its head": {[]string{`DELETE FROM audit`, `DELETE FROM audit_head`}, 0, "its head is missing"},
	"another sealed value": {[]string{`UPDATE audit_head SET head = (SELECT mark FROM master)`}, 0,
		"its head can't be opened"},
	"the end with its head": {[]string{`DELETE FROM audit WHERE seq > 7`, `DELETE FROM audit_head`}, 0,
		"its head is missing"},
	"changed with forged one": {[]string{`UPDATE audit SET actor = 'x' WHERE seq = 4`,
		`UPDATE audit_head SET head = x'00'`}, 4, "its head can't be opened"},
}

// rehash makes the entries from one on a chain again, as somebody would who
// knows how it is made but lacks the master key.
func rehash(t *testing.T, a *Archive, from int64) {
	t.Helper()
	entries := trailOf(t, a)
	for i := range entries {
		if entries[i].Seq < from {
			continue
		}
		entries[i].Before = [32]byte{}
		if i > 0 {
			entries[i].Before = entries[i-1].Hash
		}
		entries[i].Hash = sha256.Sum256([]byte(entries[i].Text()))
		_, err := a.write.ExecContext(t.Context(), `UPDATE audit SET before = ?, hash = ? WHERE seq = ?`,
			entries[i].Before[:], entries[i].Hash[:], entries[i].Seq)
		if err != nil {
			t.Fatal(err)
		}
	}
}

func TestTamperedTrail(t *testing.T) {
	var trail fixture // of 10 entries
	for name, test := range tamperings {
		t.Run(name, func(t *testing.T) {
			ctx := t.Context()
			a := copyOf(t, &trail, newClock(), func(t *testing.T, a *Archive, _ *clock) []string {
				for i := range 9 {
					must(t, a.Note(ctx, "looked", fmt.Sprintf("visit %d", i)))
				}
				return nil
			})
			if n, err := a.CheckTrail(ctx); n != 10 || err != nil {
				t.Fatalf("%d entries, %v", n, err)
			}
			tamper(t, a, test.statements...)
			if test.rehashFrom > 0 {
				rehash(t, a, test.rehashFrom)
			}
			test.checkFound(t, a)
			// Life goes on, and what was done to the trail stays to be seen.
			var err error
			for range 2 {
				err = a.Note(ctx, "looked", "visit X")
			}
			if strings.HasPrefix(test.want, "its head") && err != nil {
				t.Errorf("with the head gone nothing can be noted: %v", err)
			}
			_, err = a.CheckTrail(ctx)
			wantError(t, err, ErrTampered)
		})
	}
}

// checkFound wants the tampering to be found, and the trail left as it is.
func (x tampering) checkFound(t *testing.T, a *Archive) {
	t.Helper()
	_, err := a.CheckTrail(t.Context())
	wantError(t, err, ErrTampered)
	if err == nil || !strings.Contains(err.Error(), x.want) {
		t.Errorf("said %v, want %q", err, x.want)
	}
	before := trailOf(t, a)
	r, err := a.Verify(t.Context(), true, nil)
	if err != nil || r.Left != 1 || len(r.Problems) != 1 || r.Problems[0].What != WithTrail ||
		!strings.Contains(r.Problems[0].Words, x.want) {
		t.Errorf("verify: %+v, %v", r.Problems, err)
	}
	if after := trailOf(t, a); !slices.Equal(before, after) {
		t.Error("a repair touched the trail")
	}
}

// The database itself refuses to change the trail.
func TestTrailIsAppendOnly(t *testing.T) {
	a, _ := newArchive(t)
	for _, statement := range []string{
		`UPDATE audit SET actor = 'x'`, `UPDATE audit SET seq = seq + 1`, `DELETE FROM audit`,
		`DELETE FROM audit WHERE seq = 1`,
		`UPDATE OR REPLACE audit SET actor = 'x'`,
		`INSERT INTO audit SELECT * FROM audit`,
		`REPLACE INTO audit SELECT seq, at, 'x', action, subject, before, hash FROM audit`,
		`INSERT INTO audit SELECT 0, at, actor, action, subject, before, hash FROM audit`,
	} {
		if _, err := a.write.ExecContext(t.Context(), statement); err == nil {
			t.Errorf("%s: no error", statement)
		}
	}
	if n, err := a.CheckTrail(t.Context()); n != 1 || err != nil {
		t.Errorf("%d entries, %v", n, err)
	}
}

// What a transaction does that is rolled back is not noted, and what is noted
// at once by many is noted in some order.
func TestNoteAtOnce(t *testing.T) {
	a, c := newArchive(t)
	b := openArchive(t, a.dir, c) // as another process
	done := make(chan error)
	for i := range 8 {
		go func() {
			var err error
			for j := range 10 {
				err = errors.Join(err, []*Archive{a, b}[i%2].Note(context.Background(), "looked",
					fmt.Sprintf("visit %d.%d", i, j)))
			}
			done <- err
		}()
	}
	for range 8 {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	failed := errors.New("it failed after all")
	err := a.update(t.Context(), func(tx *sql.Tx) error {
		return errors.Join(a.note(t.Context(), tx, "erased", "visit"),
			failed)
	})
	wantError(t, err, failed)
	if n, err := a.CheckTrail(t.Context()); n != 81 || err != nil {
		t.Errorf("%d entries, want 81; %v", n, err)
	}
	// Pages of the trail, newest first, are without gaps.
	var seen []int64
	for before := int64(0); ; {
		page, err := a.Trail(t.Context(), before, 7)
		if err != nil {
			t.Fatal(err)
		}
		if len(page) == 0 {
			break
		}
		for _, e := range page {
			seen = append(seen, e.Seq)
		}
		before = page[len(page)-1].Seq
	}
	for i, seq := range seen {
		if seq != int64(81-i) {
			t.Fatalf("the pages have %v", seen)
		}
	}
	if len(seen) != 81 {
		t.Errorf("the pages have %d entries", len(seen))
	}
}

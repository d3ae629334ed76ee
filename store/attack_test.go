package store

import (
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// What somebody does who can write the database file and has no master key: a
// second connection of SQLite's, beside the archive that is open. What comes of
// it is seen by the archive's own functions.

// attacked returns a furnished archive, and how an outsider runs a statement. It
// is closed when the test ends, unsound as it is.
func attacked(t *testing.T) (a *Archive, c *clock, visits []string, run func(statement string, args ...any)) {
	t.Helper()
	a, c, visits = newHousehold(t)
	db := outsider(t, a)
	t.Cleanup(func() { a.Close() })
	return a, c, visits, func(statement string, args ...any) {
		t.Helper()
		res, err := db.Exec(statement, args...)
		if err != nil {
			t.Fatalf("%s: %v", statement, err)
		}
		if n, _ := res.RowsAffected(); n == 0 && !strings.HasPrefix(statement, "CREATE") {
			t.Fatalf("%s: it changed nothing", statement)
		}
	}
}

func suspects(t *testing.T, a *Archive, want house.Suspicion) {
	t.Helper()
	want.Large = vouchedTable(want.Table).large
	all, uncounted, err := a.Suspicions(t.Context(), true)
	if err != nil || uncounted || len(all) != 1 || all[0] != want {
		t.Errorf("suspicions %+v, uncounted %v, %v; want %+v", all, uncounted, err, want)
	}
}

func TestInsertedSession(t *testing.T) {
	a, c, _, run := attacked(t)
	all, err := a.Residents(t.Context())
	must(t, err)
	must(t, second(a.SignIn(t.Context(), all[0], "")))
	run(`INSERT INTO sessions (token_hash, id, resident, started_at, expires_at, seen_at, voucher)
		SELECT ?, 'made up', id, ?, ?, ?, (SELECT voucher FROM sessions LIMIT 1) FROM residents`,
		hashOf("made up"), micros(c.Now()), micros(c.Now().Add(time.Hour)), micros(c.Now()))
	_, err = a.Session(t.Context(), "made up")
	wantError(t, err, house.ErrNotFound)
	suspects(t, a, house.Suspicion{Table: "sessions", Strange: 1})
}

func TestChangedPassword(t *testing.T) {
	a, _, _, run := attacked(t)
	run(`UPDATE residents SET password_hash = '$argon2id$of their own'`)
	_, err := a.Resident(t.Context(), "Morgan Vale")
	wantError(t, err, house.ErrNotFound)
	suspects(t, a, house.Suspicion{Table: "residents", Strange: 1})
}

func TestWidenedScope(t *testing.T) {
	a, _, _, run := attacked(t)
	_, token, err := a.AddProgram(t.Context(), "Narrow", house.ReadVisits)
	must(t, err)
	run(`UPDATE programs SET sealed = (SELECT sealed FROM programs WHERE token_hash <> ?1) WHERE token_hash = ?1`,
		hashOf(token))
	_, err = a.ProgramOf(t.Context(), token)
	wantError(t, err, house.ErrNotFound)
	suspects(t, a, house.Suspicion{Table: "programs", Strange: 1})
}

// A program that was ended comes back with its own old row. That is not stopped at
// its door, and is found.
func TestEndedProgramPutBack(t *testing.T) {
	a, _, _, run := attacked(t)
	p, token, err := a.AddProgram(t.Context(), "Ended", house.ReadVisits)
	must(t, err)
	var voucher []byte
	must(t, a.read.QueryRow(`SELECT voucher FROM programs WHERE id = ?`, p.ID).Scan(&voucher))
	must(t, a.EndProgram(t.Context(), p.ID))
	run(`UPDATE programs SET token_hash = ?, ended_at = NULL, voucher = ? WHERE id = ?`, hashOf(token), voucher, p.ID)
	suspects(t, a, house.Suspicion{Table: "programs", PutBack: true})
}

func TestInsertedFactor(t *testing.T) {
	a, c, visits, run := attacked(t)
	person, door := oneOf(t, a, `SELECT id FROM persons`), oneOf(t, a, `SELECT id FROM doors`)
	genuine, err := a.AddFactor(t.Context(), house.Factor{Kind: house.FactorToken, Person: person, At: c.Now(),
		Until: c.Now().Add(time.Minute), Strength: 1})
	must(t, err)
	var before []byte
	must(t, a.read.QueryRow(`SELECT voucher FROM factors WHERE id = ?`, genuine).Scan(&before))
	suggest := func(visit, factor string) error {
		_, err := a.AddAdvice(t.Context(), house.Advice{Visit: visit, Door: door, Person: person, State: house.Suggested,
			Factors: []string{factor}, At: c.Now(), ExpiresAt: c.Now().Add(time.Minute)}, person)
		return err
	}
	must(t, suggest(visits[0], genuine))

	// The same factor, as it was before it was used.
	run(`UPDATE factors SET used_by = NULL, voucher = ? WHERE id = ?`, before, genuine)
	suspects(t, a, house.Suspicion{Table: "factors", PutBack: true})
	wantError(t, suggest(visits[1], genuine), house.ErrSuspect)

	// One of their own, with that voucher.
	run(`INSERT INTO factors (id, kind, person, source, at, until, strength, voucher)
		SELECT 'MADEUP', kind, person, source, at, until, strength, ? FROM factors WHERE id = ?`, before, genuine)
	wantError(t, suggest(visits[1], "MADEUP"), house.ErrSuspect)
	factors, err := a.FactorsSince(t.Context(), c.Ago(time.Hour))
	if err != nil || len(factors) != 1 || factors[0].ID != genuine {
		t.Errorf("factors %+v, %v", factors, err)
	}
}

// A suggestion that was released and dismissed is put back as it was: nobody hears
// of it as if it were open.
func TestReleasedSuggestionPutBack(t *testing.T) {
	a, c, visits, run := attacked(t)
	person, door := oneOf(t, a, `SELECT id FROM persons`), oneOf(t, a, `SELECT id FROM doors`)
	id, err := a.AddAdvice(t.Context(), house.Advice{Visit: visits[0], Door: door, Person: person,
		State: house.Suggested, At: c.Now(), ReleasedAt: c.Now(), ExpiresAt: c.Now().Add(time.Minute)}, person)
	must(t, err)
	run(`CREATE TEMP TABLE earlier AS SELECT state, sealed, voucher FROM advice WHERE id = ?`, id)
	must(t, a.EndAdvice(t.Context(), id, house.Dismissed))
	run(`UPDATE advice SET (state, sealed, voucher) = (SELECT state, sealed, voucher FROM earlier) WHERE id = ?`, id)
	all, err := a.AdviceUntil(t.Context(), c.Now())
	if err != nil || len(all) != 1 || all[0].State != house.Withdrawn {
		t.Errorf("%+v, %v; want it as withdrawn", all, err)
	}
	suspects(t, a, house.Suspicion{Table: "advice", PutBack: true})
}

// Rules that somebody changed, removed or put back let nothing go, and no rule is
// made of defaults, until a resident saves them anew.
func TestChangedRules(t *testing.T) {
	soon := house.DefaultRules()
	soon.Keep[house.Stranger] = house.Rule{Stills: house.Period{Days: 1}, Findings: house.Period{Days: 1}}
	for name, change := range map[string]string{
		"nobody's": `UPDATE settings SET voucher = NULL WHERE name = 'rules'`,
		"earlier":  `UPDATE settings SET (value, voucher) = (SELECT value, voucher FROM earlier) WHERE name = 'rules'`,
		"removed":  `DELETE FROM settings WHERE name = 'rules'`,
	} {
		t.Run(name, func(t *testing.T) {
			a, c, _, run := attacked(t)
			must(t, a.SetRules(t.Context(), soon))
			run(`CREATE TEMP TABLE earlier AS SELECT * FROM settings WHERE name = 'rules'`)
			must(t, a.SetRules(t.Context(), house.DefaultRules()))
			run(change)
			c.Advance(400 * 24 * time.Hour)
			s, err := a.Sweep(t.Context(), halves)
			if wantError(t, err, house.ErrUnvouched); s != (house.Swept{}) {
				t.Errorf("swept %+v", s)
			}
			must(t, a.SetRules(t.Context(), house.DefaultRules()))
			if _, err := a.Recount(t.Context()); err != nil {
				t.Fatal(err)
			}
			if s, err = a.Sweep(t.Context(), halves); err != nil || s == (house.Swept{}) {
				t.Errorf("swept %+v, %v once they were saved anew", s, err)
			}
		})
	}
}

// A bell's still is not taken as if nothing had to be black.
func TestRemovedMasks(t *testing.T) {
	for _, change := range []string{`DELETE FROM masks`, `UPDATE masks SET voucher = zeroblob(32)`,
		`UPDATE masks SET revision = revision + 1`} {
		a, _, _, run := attacked(t)
		run(change)
		_, _, err := a.Masks(t.Context(), "gate")
		wantError(t, err, house.ErrUnvouched)
	}
}

func TestMovedFace(t *testing.T) {
	a, _, visits, run := attacked(t)
	other, err := a.AddPerson(t.Context(), "Ines Marlow")
	must(t, err)
	run(`UPDATE faces SET person = ? WHERE person IS NOT NULL`, other.ID)
	v, err := a.Visit(t.Context(), visits[len(visits)-1])
	must(t, err)
	if n := len(v.Stills[0].Faces); n != 0 {
		t.Errorf("%d faces on the still, want none: the one that was moved counts for nothing", n)
	}
	suspects(t, a, house.Suspicion{Table: "faces", Strange: 1})
}

// A reference with the descriptor of another row, and one that is another person's.
func TestInsertedReference(t *testing.T) {
	a, _, _, run := attacked(t)
	before, err := a.Gallery(t.Context())
	must(t, err)
	run(`INSERT INTO gallery (id, person, descriptor, face_width, source_mac, added_at, voucher)
		SELECT 'MADEUP', person, descriptor, face_width, x'01', added_at, voucher FROM gallery`)
	after, err := a.Gallery(t.Context())
	if err != nil || len(after) != len(before) {
		t.Errorf("%d references, %v; want %d", len(after), err, len(before))
	}
	suspects(t, a, house.Suspicion{Table: "gallery", Strange: 1})
}

func TestRemovedHoldAndErasures(t *testing.T) {
	a, _, visits, run := attacked(t)
	must(t, a.EraseVisit(t.Context(), visits[0]))
	run(`DELETE FROM holds`)
	suspects(t, a, house.Suspicion{Table: "holds", Missing: 1})
	run(`DELETE FROM erasures`)
	r, err := a.Verify(t.Context(), false, nil)
	must(t, err)
	var said []string
	for _, p := range r.Problems {
		if p.What == WithRows {
			said = append(said, p.Subject+": "+p.Words)
		}
	}
	if len(said) != 2 || !strings.HasPrefix(said[0], "holds: 1 rows were removed") ||
		!strings.HasPrefix(said[1], "erasures: 2 rows were removed") {
		t.Errorf("verify says %q", said)
	}
}

// The vouchers and the schema's number taken away, to have rows vouched for anew
// as those of an archive that never had them.
func TestVouchersTakenAway(t *testing.T) {
	a, c, _, run := attacked(t)
	names, err := fs.Glob(migrations, "migrations/*.sql")
	must(t, err)
	dir := a.dir
	db := outsider(t, a)
	exec := func(statement string) {
		t.Helper()
		if _, err := db.Exec(statement); err != nil {
			t.Fatalf("%s: %v", statement, err)
		}
	}
	undoSlots(t, a)
	must(t, a.Close())
	run(`UPDATE residents SET password_hash = '$argon2id$of their own'`)
	for _, v := range vouchedTables {
		exec(`ALTER TABLE ` + v.table + ` DROP COLUMN voucher`)
	}
	_, err = Open(t.Context(), dir, testKey, c.Now)
	wantError(t, err, ErrDamaged)
	exec(`DROP TABLE ledger`)
	for _, later := range undoLater {
		exec(later)
	}
	exec(`PRAGMA user_version = ` + fmt.Sprint(slices.Index(names, vouchingScript)))
	b, err := Open(t.Context(), dir, testKey, c.Now)
	must(t, err)
	t.Cleanup(func() { b.Close() })
	if _, err := b.Resident(t.Context(), "Morgan Vale"); !errors.Is(err, house.ErrNotFound) {
		t.Errorf("the resident was vouched for: %v", err)
	}
	if _, uncounted, err := b.Suspicions(t.Context(), true); err != nil || !uncounted {
		t.Errorf("uncounted %v, %v", uncounted, err)
	}
	_, err = b.Recount(t.Context())
	wantError(t, err, ErrRecount)
}

// undoLater takes back what migrations after that of vouching made, so that they can
// be made again.
var undoLater = slices.Concat(undoSaid, []string{
	`ALTER TABLE doubts DROP COLUMN since`, `ALTER TABLE doubts DROP COLUMN times`,
	`ALTER TABLE doubts DROP COLUMN networks`, `ALTER TABLE doubts DROP COLUMN own`,
	`DROP TABLE messages`, `ALTER TABLE visits DROP COLUMN imported_at`, `ALTER TABLE sources DROP COLUMN key`,
	`DROP TABLE folder_files`, `DROP TABLE folders`,
	`DROP TRIGGER bell_loses_health`, `DROP TRIGGER bell_view_masked`, `DROP TRIGGER bell_view_remasked`,
	`DROP TABLE heartbeats`, `DROP TABLE bell_days`, `DROP TABLE bell_health`, `DROP TABLE bell_views`,
})

// An earlier ledger with all rows as they were then is the archive as it was: only
// the count beside the master key tells. One that does not open is told, and the
// archive goes on.
func TestEarlierLedger(t *testing.T) {
	a, _, _, run := attacked(t)
	run(`CREATE TEMP TABLE earlier AS SELECT * FROM ledger`)
	must(t, second(a.AddPerson(t.Context(), "Ines Marlow")))
	now, err := a.Standing(t.Context())
	must(t, err)
	run(`DELETE FROM persons WHERE rowid = (SELECT max(rowid) FROM persons)`)
	run(`UPDATE ledger SET sealed = (SELECT sealed FROM earlier WHERE id = 1)`)
	all, _, err := a.Suspicions(t.Context(), true)
	if err != nil || len(all) != 0 {
		t.Errorf("%+v, %v: a table and the ledger, both as they were, are as they were", all, err)
	}
	if then, err := a.Standing(t.Context()); err != nil || !then.Before(now) {
		t.Errorf("it stands at %+v, %v; before it was put back at %+v", then, err, now)
	}
	run(`UPDATE ledger SET sealed = randomblob(200)`)
	if _, uncounted, err := a.Suspicions(t.Context(), true); err != nil || !uncounted {
		t.Errorf("uncounted %v, %v", uncounted, err)
	}
	must(t, second(a.AddPerson(t.Context(), "Somebody Else"))) // it goes on all the same
}

// A row that nobody vouched for is not vouched for by a change of the archive's own.
func TestChangeMakesNoTrust(t *testing.T) {
	a, _, _, run := attacked(t)
	resident := oneOf(t, a, `SELECT id FROM residents`)
	run(`UPDATE residents SET password_hash = '$argon2id$of their own'`)
	must(t, a.SetPIN(t.Context(), resident, "a pin"))
	_, err := a.Resident(t.Context(), "Morgan Vale")
	wantError(t, err, house.ErrNotFound)
}

func second[T any](_ T, err error) error { return err }

func oneOf(t *testing.T, a *Archive, query string) (text string) {
	t.Helper()
	must(t, a.read.QueryRow(query).Scan(&text))
	return text
}

// A bell's row that somebody touched takes away none of the messages that its
// visits had, as it takes away none of the visits.
func TestTouchedBellLeavesMessages(t *testing.T) {
	a, _, visits, run := attacked(t)
	run(`UPDATE bells SET secret_hash = zeroblob(32)`)
	v, err := a.Visit(t.Context(), visits[0])
	if err != nil || len(v.Messages) != 1 || v.Messages[0].Bell != v.Bell {
		t.Errorf("messages %+v, %v", v.Messages, err)
	}
	suspects(t, a, house.Suspicion{Table: "bells", Strange: 1})
}

// A resident's row that somebody touched keeps nobody from seeing the others'
// invitations, and its own are as if they were not there.
func TestTouchedResidentLeavesInvitations(t *testing.T) {
	a, _, _, run := attacked(t)
	other, err := a.AddResident(t.Context(), "Ines Marlow", "$argon2id$hers")
	must(t, err)
	first, _, err := a.Invite(t.Context(), oneOf(t, a, `SELECT id FROM residents WHERE id <> '`+other.ID+`'`))
	must(t, err)
	_, token, err := a.Invite(t.Context(), other.ID)
	must(t, err)
	run(`UPDATE residents SET password_hash = '$argon2id$of their own' WHERE id = ?`, other.ID)
	all, err := a.Invitations(t.Context())
	if err != nil || len(all) != 1 || all[0].ID != first.ID {
		t.Errorf("invitations %+v, %v; want that of %s", all, err, first.MadeBy)
	}
	_, err = a.LinkOf(t.Context(), token)
	wantError(t, err, house.ErrNotFound)
	_, err = a.Join(t.Context(), token, "Anybody", "$argon2id$theirs")
	wantError(t, err, house.ErrNotFound)
}

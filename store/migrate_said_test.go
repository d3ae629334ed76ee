package store

import (
	"fmt"
	"io/fs"
	"slices"
	"testing"

	"lintel/internal/house"
)

// undoSaid takes back what was made from the migration on by which what a resident
// says is the truth, and the one before: so was the archive when only answers that
// a comparison bore out told whose a face is.
var undoSaid = append(slices.Clone(undoClock),
	`DROP TABLE days`, `DROP INDEX visits_with_picture`, `DROP INDEX appearances_with_picture`,
	`ALTER TABLE visits DROP COLUMN picture`, `ALTER TABLE appearances DROP COLUMN picture`,
	`DROP TABLE portraits`, `DROP TABLE disk_days`,
	`ALTER TABLE residents DROP COLUMN language`, `ALTER TABLE tablets DROP COLUMN language`,
)

// undoTrail takes back what came with the trail's end but the table of its checks.
var undoTrail = []string{`DROP INDEX audit_by_visit`,
	`ALTER TABLE master DROP COLUMN carried`, `ALTER TABLE master DROP COLUMN following`}

// undoClock takes back what came after keys lay in slots.
var undoClock = append(slices.Clone(undoTrail),
	`DROP TABLE trail_checked`,
	`DROP TRIGGER named_gain`, `DROP TRIGGER named_lose`, `DROP TABLE named`,
	`DROP TRIGGER ages_gain`, `DROP TRIGGER ages_lose`, `DROP TRIGGER ages_change`, `DROP TABLE ages`,
	`DROP TRIGGER stills_gain`, `DROP TRIGGER stills_lose`, `DROP TRIGGER stills_change`,
	`DELETE FROM counters WHERE name IN ('stills', 'still_bytes')`,
	`CREATE INDEX stills_by_size ON stills (size) WHERE file IS NOT NULL`,
	`DROP TABLE clock`, `DROP TABLE erasing_periods`, `ALTER TABLE stills DROP COLUMN given_up`,
	`DROP INDEX visits_by_doubt`, `ALTER TABLE visits DROP COLUMN doubt`,
)

// TestAnswersMigrate opens an archive of the version before: answers stand, visits
// are of the kind and in the book of the person that they say, and nothing else
// is changed.
func TestAnswersMigrate(t *testing.T) {
	ctx := t.Context()
	a, c, ada, ben := newChecked(t)
	resident, err := a.AddResident(ctx, "Morgan Vale", "$argon2id$one")
	must(t, err)
	tablet, err := a.PairTablet(ctx, "hall", resident.ID)
	must(t, err)
	visits := make(map[house.Kind]map[string]bool) // by what they are to be
	run := func(query string, args ...any) { must(t, second(outsider(t, a).Exec(query, args...))) }
	for i, said := range []struct {
		house.Check
		kind house.Kind
	}{
		{house.Check{}, house.Known}, {house.Check{Answer: house.AnswerYes, Person: ada}, house.Known},
		{house.Check{Answer: house.AnswerElse, Person: ben}, house.Known},
		{house.Check{Answer: house.AnswerNo}, house.Stranger}, {house.Check{Answer: house.AnswerNotFace}, house.NoFace},
	} {
		visit, faces := seenAs(t, a, fmt.Sprint(i), []house.Face{aFace(0, ada, 9e-3, "weak")})
		if said.Check.Face, said.Asked = faces[0], ada; said.Answer != "" {
			must(t, a.Answer(ctx, said.Check))
		}
		if visits[said.kind] == nil {
			visits[said.kind] = make(map[string]bool)
		}
		visits[said.kind][visit] = true
		if i > 1 { // no comparison bore it out
			run(`DELETE FROM appearances WHERE visit = ?`, visit)
			run(`UPDATE visits SET kind = 'stranger' WHERE id = ?`, visit)
		}
	}
	undoSlots(t, a)
	for _, later := range undoSaid {
		run(later)
	}
	names, err := fs.Glob(migrations, "migrations/*.sql")
	must(t, err)
	run(fmt.Sprintf(`PRAGMA user_version = %d`, slices.Index(names, "migrations/0020_book.sql")))
	must(t, a.Close())

	a = openArchive(t, a.Dir(), c)
	for kind, want := range visits {
		for id := range want {
			if v, err := a.Visit(ctx, id); err != nil || v.Kind != kind {
				t.Errorf("%+v, %v, want one of kind %s", v, err, kind)
			}
		}
	}
	for person, want := range map[string]int{ada: 2, ben: 1} {
		if page, err := a.Book(ctx, Filter{Persons: []string{person}}, Cursor{}, 10); err != nil || len(page.Visits) != want {
			t.Errorf("%d visits of one person, %v, want %d", len(page.Visits), err, want)
		}
	}
	s, err := a.Session(ctx, tablet)
	if err != nil || s.Name != "hall" || s.Language != "" || s.Rules != everyTablet {
		t.Errorf("the tablet: %+v, %v", s, err)
	}
	if all, uncounted, err := a.Suspicions(ctx, true); err != nil || uncounted || len(all) > 0 {
		t.Errorf("%+v, %v, %v", all, uncounted, err)
	}
}

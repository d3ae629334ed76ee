package store

import (
	"context"
	"database/sql"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// picks says what a filter is to pick, the plain way.
func picks(f Filter, v house.Visit, now time.Time) bool {
	anyFace := func(is func(house.Face) bool) bool {
		return slices.ContainsFunc(v.Stills, func(s house.Still) bool { return slices.ContainsFunc(s.Faces, is) })
	}
	named := func(face house.Face) bool { return slices.Contains(f.Persons, face.Whose()) }
	warns := func(face house.Face) bool {
		return face.Liveness != nil && face.Liveness.Level.Warns() && !face.IsNone()
	}
	return (f.Bell == "" || v.Bell == f.Bell) && (f.Kind == "" || v.Kind == f.Kind) &&
		(f.Persons == nil || anyFace(named)) && (!f.Picture || anyFace(warns)) &&
		(f.From.IsZero() || !v.ReceivedAt.Before(f.From)) && (f.Until.IsZero() || v.ReceivedAt.Before(f.Until)) &&
		(!f.Held || v.Hold != nil && v.Hold.EndsAt.After(now))
}

// ringSomehow has somebody ring, be found or not, and be held or not, by chance.
func ringSomehow(t *testing.T, a *Archive, c *clock, rnd *rand.Rand, ring string, bells, persons []string) {
	t.Helper()
	ctx := t.Context()
	n := stillOf(ring, 0)
	n.Bell, n.ReceivedAt = bells[rnd.IntN(len(bells))], c.Now()
	id := keep(t, a, n)
	v, err := a.Visit(ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	var faces []house.Face
	for range rnd.IntN(3) {
		var m *house.Match
		if rnd.IntN(2) == 0 {
			m = &house.Match{Person: persons[rnd.IntN(2)], Distance: 0.3, FPIR: 1e-4, Band: "strong"}
		}
		face := faceOf(rnd.Float32(), m)
		levels := []house.LivenessLevel{house.NoSign, house.NoSign, house.Doubtful, house.Picture}
		if n := rnd.IntN(2 * len(levels)); n < len(levels) {
			face.Liveness = &house.Liveness{Level: levels[n], Probability: 0.5, Frames: 1}
		}
		faces = append(faces, face)
	}
	if err := a.Record(ctx, v.Stills[0].ID, []house.StillState{house.Done, house.Done, house.Failed}[rnd.IntN(3)],
		faces); err != nil {
		t.Fatal(err)
	}
	if rnd.IntN(10) == 0 {
		must(t, a.SetParcel(ctx, id, true))
	}
	if rnd.IntN(8) == 0 {
		must(t, a.PlaceHold(ctx, id, "why not", c.Now().Add(time.Duration(rnd.IntN(100)+1)*time.Hour)))
	}
	if rnd.IntN(3) > 0 { // else two at the same moment
		c.Advance(time.Duration(rnd.IntN(60)) * time.Minute)
	}
}

// pagesOf goes through the book page by page, and returns the visits' ids.
func pagesOf(t *testing.T, a *Archive, f Filter, limit int) (got []string) {
	t.Helper()
	for from, pages := (Cursor{}), 0; ; pages++ {
		page, err := a.Book(t.Context(), f, from, limit)
		if err != nil {
			t.Fatal(err)
		}
		if (page.Newer == Cursor{}) != (pages == 0) {
			t.Fatalf("page %d leads back to %v", pages, page.Newer)
		}
		got = append(got, idsOf(page.Visits)...)
		if page.Earlier == (Cursor{}) {
			wayBack(t, a, f, page, limit, got)
			return got
		}
		if len(page.Visits) != limit || pages > 150 {
			t.Fatalf("a page of %d, and there is another", len(page.Visits))
		}
		if from, err = ParseCursor(page.Earlier.String()); err != nil || from != page.Earlier {
			t.Fatalf("%v, %v, want %v", from, err, page.Earlier)
		}
	}
}

// wayBack goes from the last page to the first, and compares with all visits.
func wayBack(t *testing.T, a *Archive, f Filter, page Page, limit int, all []string) {
	t.Helper()
	left := all[:len(all)-len(page.Visits)]
	for page.Newer != (Cursor{}) {
		from, err := ParseCursor(page.Newer.String())
		if err != nil || from != page.Newer {
			t.Fatalf("%v, %v, want %v", from, err, page.Newer)
		}
		if page, err = a.Book(t.Context(), f, from, limit); err != nil {
			t.Fatal(err)
		}
		n := len(page.Visits)
		if n == 0 || n > len(left) || !slices.Equal(idsOf(page.Visits), left[len(left)-n:]) ||
			page.Earlier == (Cursor{}) {
			t.Fatalf("on the way back %d visits, of %d, earlier %v", n, len(left), page.Earlier)
		}
		left = left[:len(left)-n]
	}
	if len(left) > 0 {
		t.Errorf("the way back ends %d visits before the newest", len(left))
	}
}

func idsOf(visits []house.Visit) (ids []string) {
	for _, v := range visits {
		ids = append(ids, v.ID)
	}
	return ids
}

func TestBook(t *testing.T) {
	rnd := rand.New(rand.NewPCG(11, 25))
	a, c := newArchive(t)
	ctx := t.Context()
	began := c.Now()
	bells := []string{"gate", "garden", "cellar"}
	for _, bell := range bells[1:] {
		if _, err := a.AddBell(ctx, bell); err != nil {
			t.Fatal(err)
		}
	}
	var persons []string
	for _, name := range []string{"Tamsin Quill", "Odo Fenwright"} {
		p, err := a.AddPerson(ctx, name)
		if err != nil {
			t.Fatal(err)
		}
		persons = append(persons, p.ID)
	}
	for i := range 150 {
		ringSomehow(t, a, c, rnd, fmt.Sprint("r", i), bells, persons)
	}
	all, err := a.LatestVisits(ctx, 1000)
	if err != nil || len(all) != 150 {
		t.Fatalf("%d visits, %v", len(all), err)
	}
	choose := func(from ...string) string { return append(from, "")[rnd.IntN(len(from)+1)] }
	some := 0
	for range 450 {
		f := Filter{
			Bell:    choose("gate", "garden", "cellar", "nowhere"),
			Kind:    house.Kind(choose("person", "stranger", "parcel", "no-face", "damaged", "looking")),
			Persons: [][]string{nil, nil, {}, {persons[0]}, {persons[1]}, persons, {"NOBODY"}}[rnd.IntN(7)],
			Picture: rnd.IntN(4) == 0,
			Held:    rnd.IntN(4) == 0,
		}
		if rnd.IntN(3) == 0 {
			f.From = began.Add(time.Duration(rnd.IntN(40)) * time.Hour)
		}
		if rnd.IntN(3) == 0 {
			f.Until = all[rnd.IntN(len(all))].ReceivedAt
		}
		var want []string
		for _, v := range all {
			if picks(f, v, c.Now()) {
				want = append(want, v.ID)
			}
		}
		if len(want) > 0 {
			some++
		}
		sameDays(t, a, f, all)
		limit := 1 + rnd.IntN(20)
		got := pagesOf(t, a, f, limit)
		if !slices.Equal(got, want) {
			t.Errorf("%+v by %d: %d visits, want %d", f, limit, len(got), len(want))
		}
	}
	if some < 100 {
		t.Errorf("only %d filters picked anything", some)
	}
}

// No filter makes the database sort or go through all visits: SQLite's own
// EXPLAIN QUERY PLAN (sqlite.org/eqp.html) names an index for each.
func TestBookUsesIndexes(t *testing.T) {
	a, _ := newArchive(t)
	tx, err := a.read.BeginTx(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer tx.Rollback()
	one := []string{"P"}
	for _, f := range []Filter{{}, {Bell: "gate"}, {Kind: house.Stranger}, {Persons: one}, {Picture: true},
		{Bell: "gate", Kind: house.Known, Persons: one}, {Persons: one, Picture: true}, {Held: true},
		{Until: time.Now()}} {
		spy := &spyQuerier{querier: tx}
		if _, err := a.places(t.Context(), spy, f, Cursor{up: f.Bell != ""}, 10); err != nil {
			t.Fatal(err)
		}
		plan := spy.plan(t)
		for _, line := range plan {
			if f.Picture && strings.Contains(line, "INDEX") && !strings.Contains(line, "with_picture") &&
				!strings.Contains(line, "bells") {
				t.Errorf("%+v: %s", f, line)
			}
			if strings.HasPrefix(line, "SCAN visits") || strings.HasPrefix(line, "SCAN appearances") ||
				strings.HasPrefix(line, "SCAN v") {
				t.Errorf("%+v: %s", f, strings.Join(plan, "\n"))
			}
		}
	}
}

// A spyQuerier keeps the last query.
type spyQuerier struct {
	querier
	query string
	args  []any
}

func (s *spyQuerier) QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error) {
	s.query, s.args = query, args
	return s.querier.QueryContext(ctx, query, args...)
}

// plan is how the database answers it.
func (s *spyQuerier) plan(t *testing.T) []string {
	t.Helper()
	rows, err := s.querier.QueryContext(t.Context(), `EXPLAIN QUERY PLAN `+s.query, s.args...)
	plan, err := scanAll(rows, err, func(line *string) error {
		var a, b, c int
		return rows.Scan(&a, &b, &c, line)
	})
	if err != nil {
		t.Fatal(err)
	}
	return plan
}

func TestParseCursor(t *testing.T) {
	for _, text := range []string{"-", "x", "12-", "!-A", "zzzzzzzzzzzzzzzzzzzzzz-A", "1-" + strings.Repeat("A", 65)} {
		_, err := ParseCursor(text)
		wantError(t, err, ErrBadCursor)
	}
	if c, err := ParseCursor(""); err != nil || c != (Cursor{}) {
		t.Errorf("%v, %v", c, err)
	}
}

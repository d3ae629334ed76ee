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
	named := func(person string) bool {
		for _, s := range v.Stills {
			for _, face := range s.Faces {
				if face.Match != nil && face.Match.Person == person {
					return true
				}
			}
		}
		return false
	}
	return (f.Bell == "" || v.Bell == f.Bell) && (f.Kind == "" || v.Kind == f.Kind) &&
		(f.Person == "" || named(f.Person)) &&
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
		faces = append(faces, faceOf(rnd.Float32(), m))
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
		visits, next, err := a.Book(t.Context(), f, from, limit)
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range visits {
			got = append(got, v.ID)
		}
		if next == (Cursor{}) {
			return got
		}
		if len(visits) != limit || pages > 150 {
			t.Fatalf("a page of %d, and there is another", len(visits))
		}
		if from, err = ParseCursor(next.String()); err != nil || from != next {
			t.Fatalf("%v, %v, want %v", from, err, next)
		}
	}
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
	for range 400 {
		f := Filter{
			Bell:   choose("gate", "garden", "cellar", "nowhere"),
			Kind:   house.Kind(choose("person", "stranger", "parcel", "no-face", "damaged", "looking")),
			Person: choose(persons[0], persons[1], "NOBODY"),
			Held:   rnd.IntN(4) == 0,
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
	for _, f := range []Filter{{}, {Bell: "gate"}, {Kind: house.Stranger}, {Person: "P"},
		{Bell: "gate", Kind: house.Known, Person: "P"}, {Held: true}, {Until: time.Now()}} {
		spy := &spyQuerier{querier: tx}
		if _, err := a.bookIDs(t.Context(), spy, f, Cursor{}, 10); err != nil {
			t.Fatal(err)
		}
		rows, err := tx.QueryContext(t.Context(), `EXPLAIN QUERY PLAN `+spy.query, spy.args...)
		plan, err := scanAll(rows, err, func(line *string) error {
			var a, b, c int
			return rows.Scan(&a, &b, &c, line)
		})
		if err != nil {
			t.Fatal(err)
		}
		for _, line := range plan {
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

func TestParseCursor(t *testing.T) {
	for _, text := range []string{"-", "x", "12-", "!-A", "zzzzzzzzzzzzzzzzzzzzzz-A", "1-" + strings.Repeat("A", 65)} {
		_, err := ParseCursor(text)
		wantError(t, err, ErrBadCursor)
	}
	if c, err := ParseCursor(""); err != nil || c != (Cursor{}) {
		t.Errorf("%v, %v", c, err)
	}
}

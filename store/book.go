package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/internal/house"
)

// A Filter picks visits of the visitor book. Its zero value picks all.
type Filter struct {
	Bell    string // name
	Kind    house.Kind
	Persons []string  // ids: of those who were named, one at least; nil for anybody or nobody
	Picture bool      // only those with a sign of a picture
	From    time.Time // received then or later
	Until   time.Time // received before
	Held    bool      // only those with a hold
}

// A Cursor is a place in the visitor book, between two visits, from which it is
// read on to what is earlier, or to what is newer. The zero value is before the
// newest.
type Cursor struct {
	at int64
	id string
	up bool
}

// ErrBadCursor says that a text is no cursor.
var ErrBadCursor = errors.New("this is no place in the visitor book")

// String writes a cursor; the zero value is "".
func (c Cursor) String() string {
	if c == (Cursor{}) {
		return ""
	}
	text := strconv.FormatInt(c.at, 36) + "-" + c.id
	if c.up {
		text = "." + text
	}
	return text
}

// ParseCursor reads what String wrote. The error is ErrBadCursor.
func ParseCursor(text string) (Cursor, error) {
	if text == "" {
		return Cursor{}, nil
	}
	text, up := strings.CutPrefix(text, ".")
	at, id, ok := strings.Cut(text, "-")
	n, err := strconv.ParseInt(at, 36, 64)
	if !ok || err != nil || id == "" || len(id) > 64 {
		return Cursor{}, ErrBadCursor
	}
	return Cursor{n, id, up}, nil
}

// CursorBefore returns the place from which a book is read that is to begin with
// what was received before a time.
func CursorBefore(t time.Time) Cursor { return Cursor{at: t.UnixMicro() - 1, id: "~"} }

// A Page is a part of the visitor book, newest first.
type Page struct {
	Visits  []house.Visit
	Newer   Cursor // to the page before this one, zero without any
	Earlier Cursor // to the page after this one, zero without any
}

// Book returns a page of the visitor book: visits that the filter picks, limit at
// most, from the cursor on. A page deep in the book takes as long as the first:
// each begins where an index says, and nothing is skipped over.
func (a *Archive) Book(ctx context.Context, f Filter, from Cursor, limit int) (p Page, err error) {
	tx, err := a.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return p, fmt.Errorf("reading the visitor book: %w", err)
	}
	defer tx.Rollback()
	if p, err = a.bookIn(ctx, tx, f, from, limit); err != nil {
		return p, fmt.Errorf("reading the visitor book: %w", damage(err))
	}
	return p, nil
}

func (a *Archive) bookIn(ctx context.Context, q querier, f Filter, from Cursor, limit int) (p Page, err error) {
	places, err := a.places(ctx, q, f, from, limit+1)
	if err != nil {
		return p, err
	}
	more := len(places) > limit
	if more && from.up {
		places = places[1:]
	} else if more {
		places = places[:limit]
	}
	newest, oldest := from, from
	if len(places) > 0 {
		newest, oldest = places[0], places[len(places)-1]
	}
	newest.up, oldest.up = true, false
	// Beyond the other end there is something unless it was all read.
	other := false
	if from != (Cursor{}) {
		back := newest
		if from.up {
			back = oldest
		}
		rest, err := a.places(ctx, q, f, back, 1)
		if err != nil {
			return p, err
		}
		other = len(rest) > 0
	}
	if from.up && more || !from.up && other {
		p.Newer = newest
	}
	if !from.up && more || from.up && other {
		p.Earlier = oldest
	}
	p.Visits, err = a.visitsAt(ctx, q, places)
	return p, err
}

// A Ring is a visit's place in time.
type Ring struct {
	Visit string
	At    time.Time
}

// Rings returns when all visits that the filter picks were, newest first. It is
// for a filter with a period, such as a day.
func (a *Archive) Rings(ctx context.Context, f Filter) ([]Ring, error) {
	places, err := a.places(ctx, a.read, f, Cursor{}, -1)
	if err != nil {
		return nil, fmt.Errorf("reading the visitor book: %w", damage(err))
	}
	rings := make([]Ring, len(places))
	for i, p := range places {
		rings[i] = Ring{p.id, time.UnixMicro(p.at).UTC()}
	}
	return rings, nil
}

// VisitsOfIDs returns those of the visits that there are, newest first.
func (a *Archive) VisitsOfIDs(ctx context.Context, ids []string) ([]house.Visit, error) {
	return a.visits(ctx, ofIDs, jsonList(ids))
}

const ofIDs = `WHERE v.id IN (SELECT value FROM json_each(?)) ORDER BY v.received_at DESC, v.id DESC`

func (a *Archive) visitsAt(ctx context.Context, q querier, places []Cursor) ([]house.Visit, error) {
	ids := make([]string, len(places))
	for i, p := range places {
		ids[i] = p.id
	}
	return a.visitsIn(ctx, q, ofIDs, jsonList(ids))
}

// VisitsOf returns a page of the visits that are a person's, from the cursor on to
// what is earlier; next is where the page after it begins, zero after the last. It
// looks through all of them for each page.
func (a *Archive) VisitsOf(ctx context.Context, person string, from Cursor,
	limit int) (visits []house.Visit, next Cursor, err error) {
	tx, err := a.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, Cursor{}, fmt.Errorf("reading a person's visits: %w", err)
	}
	defer tx.Rollback()
	if from == (Cursor{}) {
		from = Cursor{at: 1 << 62, id: "~"}
	}
	places, err := placesOf(tx.QueryContext(ctx, `
		SELECT v.received_at, v.id FROM (`+visitsOf+`) p JOIN visits v ON v.id = p.visit
		WHERE (v.received_at, v.id) < (?2, ?3)
		ORDER BY v.received_at DESC, v.id DESC LIMIT ?4`, person, from.at, from.id, limit+1))
	if err == nil && len(places) > limit {
		places, next = places[:limit], places[limit-1]
	}
	if err == nil {
		visits, err = a.visitsAt(ctx, tx, places)
	}
	if err != nil {
		return nil, Cursor{}, fmt.Errorf("reading a person's visits: %w", damage(err))
	}
	return visits, next, nil
}

func placesOf(rows *sql.Rows, err error) ([]Cursor, error) {
	return scanAll(rows, err, func(c *Cursor) error { return rows.Scan(&c.at, &c.id) })
}

// places finds where visits that the filter picks are, newest first, limit at most
// from a cursor on; all for a limit below zero. Every index begins with all that a
// filter can ask for and ends with the time, so that each of its parts is a list in
// the order of the book; those that the filter leaves open are run through, a list
// for each person, bell and kind, and the lists merged.
func (a *Archive) places(ctx context.Context, q querier, f Filter, from Cursor, limit int) (all []Cursor, err error) {
	at := stretchOf(f, from, limit)
	switch {
	case f.Held:
		all, err = a.heldPlaces(ctx, q, f, at)
	case f.Persons == nil:
		all, err = a.listed(ctx, q, f, at, "visits", "id")
	default:
		for _, person := range f.Persons {
			some, err := a.listed(ctx, q, f, at, "appearances", "visit", "person", person)
			if err != nil {
				return nil, err
			}
			all = append(all, some...)
		}
		slices.SortFunc(all, at.compare)
		all = slices.Compact(all) // who came together
		if limit >= 0 {
			all = all[:min(limit, len(all))]
		}
	}
	if from.up {
		slices.Reverse(all)
	}
	return all, err
}

// A stretch is a part of the book, and which way it is read.
type stretch struct {
	up    bool
	begin Cursor // beyond which it is read
	end   int64  // up to which
	limit int
}

func stretchOf(f Filter, from Cursor, limit int) stretch {
	upper, lower := int64(1)<<62, int64(-1)<<62
	if !f.Until.IsZero() {
		upper = f.Until.UnixMicro() - 1
	}
	if !f.From.IsZero() {
		lower = f.From.UnixMicro()
	}
	if from.up {
		if from.at < lower {
			from = Cursor{at: lower} // before every id
		}
		return stretch{true, from, upper, limit}
	}
	if from == (Cursor{}) || from.at > upper {
		from = Cursor{at: upper, id: "~"} // after every id
	}
	return stretch{false, from, lower, limit}
}

func (s stretch) compare(a, b Cursor) int {
	c := cmp.Or(cmp.Compare(b.at, a.at), cmp.Compare(b.id, a.id))
	if s.up {
		return -c
	}
	return c
}

func (s stretch) args() []any { return []any{s.begin.at, s.begin.id, s.end, s.limit} }

// clauses say in SQL which of the rows of a table it has, and their order.
func (s stretch) clauses(at, id string) (where, order string) {
	than, until, way := `<`, `>=`, ` DESC`
	if s.up {
		than, until, way = `>`, `<=`, ``
	}
	return fmt.Sprintf(`%[1]s %[4]s ?3 AND (%[1]s, %[2]s) %[3]s (?1, ?2)`, at, id, than, until),
		fmt.Sprintf(` ORDER BY %s%s, %s%s LIMIT ?4`, at, way, id, way)
}

// listed merges the lists of a table for the bells and kinds of a filter, those
// where a column is as given.
func (a *Archive) listed(ctx context.Context, q querier, f Filter, s stretch, table, id string,
	given ...any) ([]Cursor, error) {
	args := s.args()
	where, order := s.clauses("received_at", id)
	list := func(given ...any) string {
		text := `SELECT * FROM (SELECT received_at, ` + id + ` AS id FROM ` + table + ` WHERE ` + where
		for i := 0; i < len(given); i += 2 {
			args = append(args, given[i+1])
			text += fmt.Sprintf(` AND %s = ?%d`, given[i], len(args))
		}
		if f.Picture {
			text += ` AND picture = 1` // as the partial indexes say it
		}
		return text + order + `)`
	}
	var lists []string
	if f.Bell == "" && f.Kind == "" && given == nil && !f.Picture {
		lists = append(lists, list())
	} else {
		bells, err := a.bellsFor(ctx, q, f.Bell)
		if err != nil {
			return nil, err
		}
		for _, bell := range bells {
			for _, kind := range kindsFor(f.Kind) {
				lists = append(lists, list(append(slices.Clone(given), "bell", bell, "kind", kind)...))
			}
		}
	}
	if len(lists) == 0 {
		return nil, nil
	}
	_, order = s.clauses("received_at", "id")
	return placesOf(q.QueryContext(ctx, `SELECT received_at, id FROM (`+strings.Join(lists, ` UNION ALL `)+`)`+order,
		args...))
}

// heldPlaces finds held visits, of which there are few.
func (a *Archive) heldPlaces(ctx context.Context, q querier, f Filter, s stretch) ([]Cursor, error) {
	bell := ""
	if f.Bell != "" {
		bell = a.bellID(f.Bell)
	}
	where, order := s.clauses("v.received_at", "v.id")
	return placesOf(q.QueryContext(ctx, `
		SELECT v.received_at, v.id FROM holds h CROSS JOIN visits v ON v.id = h.visit
		WHERE h.ends_at > ?5 AND `+where+`
			AND (?6 = '' OR v.bell = ?6) AND (?7 = '' OR v.kind = ?7) AND v.picture >= ?8
			AND (?9 OR EXISTS (SELECT 1 FROM appearances p WHERE p.visit = v.id
				AND p.person IN (SELECT value FROM json_each(?10))))`+order,
		append(s.args(), micros(a.now()), bell, f.Kind, f.Picture, f.Persons == nil, jsonList(f.Persons))...))
}

// bellsFor returns the id of the bell of that name, or those of all bells that
// ever were.
func (a *Archive) bellsFor(ctx context.Context, q querier, name string) ([]string, error) {
	if name != "" {
		return []string{a.bellID(name)}, nil
	}
	return texts(q.QueryContext(ctx, `SELECT id FROM bells`))
}

func kindsFor(k house.Kind) []house.Kind {
	if k != "" {
		return []house.Kind{k}
	}
	return append([]house.Kind{house.Looking}, house.Kinds...)
}

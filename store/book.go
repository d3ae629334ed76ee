package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"lintel/internal/house"
)

// A Filter picks visits of the visitor book. Its zero value picks all.
type Filter struct {
	Bell   string // name
	Kind   house.Kind
	Person string    // id, of who was named
	From   time.Time // received then or later
	Until  time.Time // received before
	Held   bool      // only those with a hold
}

// A Cursor is a place in the visitor book, between two visits. The zero value
// is before the newest.
type Cursor struct {
	at int64
	id string
}

// ErrBadCursor says that a text is no cursor.
var ErrBadCursor = errors.New("this is no place in the visitor book")

// String writes a cursor; the zero value is "".
func (c Cursor) String() string {
	if c == (Cursor{}) {
		return ""
	}
	return strconv.FormatInt(c.at, 36) + "-" + c.id
}

// ParseCursor reads what String wrote. The error is ErrBadCursor.
func ParseCursor(text string) (Cursor, error) {
	if text == "" {
		return Cursor{}, nil
	}
	at, id, ok := strings.Cut(text, "-")
	n, err := strconv.ParseInt(at, 36, 64)
	if !ok || err != nil || id == "" || len(id) > 64 {
		return Cursor{}, ErrBadCursor
	}
	return Cursor{n, id}, nil
}

// Book returns a page of the visitor book: visits that the filter picks, newest
// first, limit at most, from the cursor on; next is where the page after it
// begins, zero after the last. A page deep in the book takes as long as the
// first: each begins where an index says, and nothing is skipped over.
func (a *Archive) Book(ctx context.Context, f Filter, from Cursor,
	limit int) (visits []house.Visit, next Cursor, err error) {
	return a.bookPage(ctx, limit, func(q querier, limit int) ([]string,
		error) {
		return a.bookIDs(ctx, q, f, from, limit)
	})
}

// VisitsOf returns a page of the visits that are tied to a person, in the way of
// Book: those that name them, and those where a face is theirs by an answer
// alone. It looks through all of them for each page.
func (a *Archive) VisitsOf(ctx context.Context, person string, from Cursor,
	limit int) (visits []house.Visit, next Cursor, err error) {
	before := from
	if from == (Cursor{}) {
		before = Cursor{1 << 62, "~"}
	}
	return a.bookPage(ctx, limit, func(q querier, limit int) ([]string, error) {
		return texts(q.QueryContext(ctx, `
			SELECT v.id FROM (`+visitsOf+`) p JOIN visits v ON v.id = p.visit WHERE (v.received_at, v.id) < (?2, ?3)
			ORDER BY v.received_at DESC, v.id DESC LIMIT ?4`, person, before.at, before.id, limit))
	})
}

// bookPage reads the visits that find finds, limit and one more at most.
func (a *Archive) bookPage(ctx context.Context, limit int, find func(q querier,
	limit int) ([]string, error)) (visits []house.Visit, next Cursor, err error) {
	tx, err := a.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, Cursor{}, fmt.Errorf("reading the visitor book: %w", err)
	}
	defer tx.Rollback()
	ids, err := find(tx, limit+1)
	if err != nil {
		return nil, Cursor{}, fmt.Errorf("reading the visitor book: %w", err)
	}
	more := len(ids) > limit
	if more {
		ids = ids[:limit]
	}
	visits, err = a.visitsIn(ctx, tx,
		`WHERE v.id IN (SELECT value FROM json_each(?)) ORDER BY v.received_at DESC, v.id DESC`, jsonList(ids))
	if err != nil {
		return nil, Cursor{}, fmt.Errorf("reading the visitor book: %w", err)
	}
	if more {
		last := visits[len(visits)-1]
		next = Cursor{last.ReceivedAt.UnixMicro(), last.ID}
	}
	return visits, next, nil
}

// bookIDs finds a page's visits. Every index begins with all that a filter can
// ask for and ends with the time, so that each of its parts is a list in the
// order of the book; those that the filter leaves open are run through, a list
// for each bell and kind, and the lists merged.
func (a *Archive) bookIDs(ctx context.Context, q querier, f Filter, from Cursor, limit int) ([]string, error) {
	upper, lower := int64(1)<<62, int64(-1)<<62
	if !f.Until.IsZero() {
		upper = f.Until.UnixMicro() - 1
	}
	if !f.From.IsZero() {
		lower = f.From.UnixMicro()
	}
	before := from
	if from == (Cursor{}) || from.at > upper {
		before = Cursor{upper, "~"} // after every id
	}
	args := []any{lower, before.at, before.id, limit}
	// list is one list of the merge: rows of a table where its first columns
	// are as given.
	list := func(table, id string, where ...any) string {
		text := `SELECT * FROM (SELECT received_at, ` + id + ` AS id FROM ` + table +
			` WHERE received_at >= ?1 AND (received_at, ` + id + `) < (?2, ?3)`
		for i := 0; i < len(where); i += 2 {
			args = append(args, where[i+1])
			text += fmt.Sprintf(` AND %s = ?%d`, where[i], len(args))
		}
		return text + ` ORDER BY received_at DESC, ` + id + ` DESC LIMIT ?4)`
	}
	var lists []string
	switch {
	case f.Held:
		return a.heldIDs(ctx, q, f, args)
	case f.Person == "" && f.Bell == "" && f.Kind == "":
		lists = append(lists, list("visits", "id"))
	default:
		bells, err := a.bellsFor(ctx, q, f.Bell)
		if err != nil {
			return nil, err
		}
		for _, bell := range bells {
			for _, kind := range kindsFor(f.Kind) {
				if f.Person != "" {
					lists = append(lists, list("appearances", "visit", "person", f.Person, "bell", bell, "kind", kind))
				} else {
					lists = append(lists, list("visits", "id", "bell", bell, "kind", kind))
				}
			}
		}
	}
	if len(lists) == 0 {
		return nil, nil
	}
	return texts(q.QueryContext(ctx, `SELECT id FROM (`+strings.Join(lists, ` UNION ALL `)+`)
		ORDER BY received_at DESC, id DESC LIMIT ?4`, args...))
}

// heldIDs finds a page of held visits, of which there are few.
func (a *Archive) heldIDs(ctx context.Context, q querier, f Filter, page []any) ([]string, error) {
	bell := ""
	if f.Bell != "" {
		bell = a.bellID(f.Bell)
	}
	return texts(q.QueryContext(ctx, `
		SELECT v.id FROM holds h CROSS JOIN visits v ON v.id = h.visit
		WHERE h.ends_at > ?5 AND v.received_at >= ?1 AND (v.received_at, v.id) < (?2, ?3)
			AND (?6 = '' OR v.bell = ?6) AND (?7 = '' OR v.kind = ?7)
			AND (?8 = '' OR EXISTS (SELECT 1 FROM appearances p WHERE p.visit = v.id AND p.person = ?8))
		ORDER BY v.received_at DESC, v.id DESC LIMIT ?4`,
		append(page, micros(a.now()), bell, f.Kind, f.Person)...))
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

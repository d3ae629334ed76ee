package web

import (
	"context"
	"net/url"
	"slices"
	"strings"
	"time"
	"unicode"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"

	"lintel/internal/house"
	"lintel/store"
)

// filterNames are the parts of a query that pick visits.
var filterNames = []string{"bell", "kind", "person", "name", "picture", "from", "until", "held", "cursor"}

// readFilter reads what picks visits, and where in the book to begin. Empty
// values stand for none, since forms send them.
func (s *Server) readFilter(ctx context.Context, q url.Values,
	from, until func(string) (time.Time, error)) (f store.Filter, c store.Cursor, err error) {
	f = store.Filter{Bell: q.Get("bell"), Kind: house.Kind(q.Get("kind"))}
	if f.Kind != "" && f.Kind != house.Looking && !slices.Contains(house.Kinds, f.Kind) {
		return f, c, errQueryKind
	}
	for value, to := range map[string]*bool{"held": &f.Held, "picture": &f.Picture} {
		v := q.Get(value)
		if v != "" && v != "true" && v != "false" {
			return f, c, map[string]error{"held": errQueryHeld, "picture": errQueryPicture}[value]
		}
		*to = v == "true"
	}
	if f.From, f.Until, err = readPeriod(q, from, until); err != nil {
		return f, c, err
	}
	if f.Persons, err = s.pickPersons(ctx, q.Get("person"), q.Get("name")); err != nil {
		return f, c, err
	}
	c, err = store.ParseCursor(q.Get("cursor"))
	return f, c, err
}

// pickPersons returns the ids of those who are meant by an id and the beginning of a
// name, either of which may be empty; nil if both are.
func (s *Server) pickPersons(ctx context.Context, id, name string) ([]string, error) {
	if strings.TrimSpace(name) == "" {
		if id == "" {
			return nil, nil
		}
		return []string{id}, nil
	}
	persons, err := s.Archive.Persons(ctx)
	picked := []string{}
	for _, p := range persons {
		if (id == "" || id == p.ID) && nameBegins(p.Name, name) {
			picked = append(picked, p.ID)
		}
	}
	return picked, err
}

// nameBegins reports whether each word of a text begins a word of the name, accents
// and capitals aside.
func nameBegins(name, text string) bool {
	words := strings.Fields(folded(name))
	for _, part := range strings.Fields(folded(text)) {
		if !slices.ContainsFunc(words, func(w string) bool { return strings.HasPrefix(w, part) }) {
			return false
		}
	}
	return true
}

// folded is a text without accents and capitals, and with blanks for whatever is no
// letter or digit: Unicode's compatibility decomposition (UAX #15) and case folding.
func folded(text string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case unicode.Is(unicode.Mn, r):
			return -1
		case unicode.IsLetter(r), unicode.IsDigit(r):
			return r
		}
		return ' '
	}, norm.NFKD.String(cases.Fold().String(norm.NFKD.String(text))))
}

// readPeriod reads from and until, zero where they are not there.
func readPeriod(q url.Values, from, until func(string) (time.Time, error)) (begin, end time.Time, err error) {
	if v := q.Get("from"); v != "" {
		if begin, err = from(v); err != nil {
			return begin, end, err
		}
	}
	if v := q.Get("until"); v != "" {
		if end, err = until(v); err != nil {
			return begin, end, err
		}
	}
	if !begin.IsZero() && !end.IsZero() && !begin.Before(end) {
		return begin, end, errBackwards
	}
	return begin, end, nil
}

package trial

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"path"
	"slices"
	"strings"
	"unicode"
)

// ErrLabels marks what is wrong with a list of rings.
var ErrLabels = errors.New("the list of rings can't be used")

// A Label says whom a ring shows and under which condition it was taken; either
// may be empty.
type Label struct {
	Ring      string // its path, see Ring.Path
	Person    string
	Condition string

	line int
}

// labelColumns are the columns of a list.
const labelColumns = "ring,person,condition"

// ReadLabels reads a list of rings from a CSV file as RFC 4180 has it. Its first
// line is "ring,person,condition"; each other has a ring as the path below the
// trial's folder, such as "bona-fide/ada-01" or "attack/print/ada-03". A byte
// order mark, as spreadsheets write it, and spaces around fields don't matter.
// The error is ErrLabels, and says which line is wrong and how it should look.
func ReadLabels(r io.Reader) ([]Label, error) {
	data, err := io.ReadAll(r)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrLabels, err)
	}
	rows := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\ufeff"))))
	rows.TrimLeadingSpace = true
	rows.FieldsPerRecord = -1 // checked below, in words of our own
	rows.ReuseRecord = true
	var labels []Label
	seen := make(map[string]int)
	for first := true; ; first = false {
		row, err := rows.Read()
		if errors.Is(err, io.EOF) && !first {
			return labels, nil
		}
		if errors.Is(err, io.EOF) {
			return nil, fmt.Errorf("%w: it is empty; its first line must be %q", ErrLabels, labelColumns)
		}
		if err != nil {
			return nil, fmt.Errorf("%w: %w", ErrLabels, err)
		}
		line, _ := rows.FieldPos(0)
		for i := range row {
			row[i] = strings.TrimSpace(row[i])
		}
		if first {
			if text := strings.Join(row, ","); text != labelColumns {
				return nil, fmt.Errorf("%w: its first line is %q, and must be %q", ErrLabels, text, labelColumns)
			}
			continue
		}
		l, err := labelOf(row, line)
		if before := seen[l.Ring]; err == nil && before > 0 {
			err = fmt.Errorf("the ring %q is in line %d already", l.Ring, before)
		}
		if err != nil {
			return nil, fmt.Errorf("%w: line %d: %w", ErrLabels, line, err)
		}
		seen[l.Ring] = line
		labels = append(labels, l)
	}
}

func labelOf(row []string, line int) (Label, error) {
	if len(row) != 3 {
		return Label{}, fmt.Errorf("it has %d fields, and must have 3, such as attack/print/ada-03,ada,night; "+
			"person and condition may be empty, their commas stay", len(row))
	}
	for _, field := range row {
		if strings.ContainsFunc(field, func(r rune) bool { return r == unicode.ReplacementChar || !unicode.IsPrint(r) }) {
			return Label{}, fmt.Errorf("it has what can't be printed: %+q", field)
		}
	}
	parts := strings.Split(row[0], "/")
	ring := len(parts) == 2 && parts[0] == "bona-fide" || len(parts) == 3 && parts[0] == "attack"
	if !ring || path.Clean(row[0]) != row[0] || slices.Contains(parts, "..") {
		return Label{}, fmt.Errorf("%q is no ring; one is written bona-fide/ada-01 or attack/print/ada-03", row[0])
	}
	return Label{row[0], row[1], row[2], line}, nil
}

// LabelRings gives rings the persons and conditions of a list, and returns how many
// rings are not in it. The error is ErrLabels for a ring in the list that is not
// there.
func LabelRings(rings []Ring, labels []Label) (unlisted int, err error) {
	place := make(map[string]int, len(rings))
	for i, r := range rings {
		place[r.Path()] = i
	}
	for _, l := range labels {
		i, ok := place[l.Ring]
		if !ok {
			return 0, fmt.Errorf("%w: line %d: there is no ring %q with a picture in it", ErrLabels, l.line, l.Ring)
		}
		rings[i].Person, rings[i].Condition = l.Person, l.Condition
	}
	return len(rings) - len(labels), nil
}

// Conditions lists the conditions that rings were taken under, by name.
func Conditions(outcomes []Outcome) []string {
	var all []string
	for _, o := range outcomes {
		if o.Condition != "" {
			all = append(all, o.Condition)
		}
	}
	slices.Sort(all)
	return slices.Compact(all)
}

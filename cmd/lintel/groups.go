package main

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"text/tabwriter"
	"unicode"

	"lintel/pipeline/match"
)

// errGroups marks what is wrong with a file of groups.
var errGroups = errors.New("the groups can't be used")

// A grouping puts each person of a trial into one group: by age, say.
type grouping struct {
	by     string            // the column's name
	groups map[string]string // of each person
}

// readGroups reads groupings from a CSV file as RFC 4180 has it. The first
// column is named identity and has the names of the persons' folders; each other
// column is a grouping, with a group for every person. A byte order mark, as
// spreadsheets write it, and spaces around fields don't matter. The error is
// errGroups and says which line is wrong.
func readGroups(r io.Reader) ([]grouping, error) {
	data, err := io.ReadAll(r)
	if err != nil {
		return nil, failed(errGroups, "groups-unusable", "Error", err)
	}
	rows := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\ufeff"))))
	rows.TrimLeadingSpace = true
	header, err := rows.Read()
	if errors.Is(err, io.EOF) {
		return nil, failed(errGroups, "groups-empty")
	}
	if err != nil {
		return nil, failed(errGroups, "groups-unusable", "Error", err)
	}
	groupings, err := groupingsOf(header)
	if err != nil {
		return nil, err
	}
	for {
		row, err := rows.Read()
		if errors.Is(err, io.EOF) {
			return groupings, nil
		}
		if err == nil {
			line, _ := rows.FieldPos(0)
			err = addGroups(groupings, row, line)
		}
		if err != nil {
			return nil, failed(errGroups, "groups-unusable", "Error", err)
		}
	}
}

// groupingsOf makes a grouping of each column but the first.
func groupingsOf(header []string) ([]grouping, error) {
	if strings.TrimSpace(header[0]) != "identity" || len(header) < 2 {
		return nil, failed(errGroups, "groups-first-line", "Line", strings.Join(header, ","))
	}
	var groupings []grouping
	for _, field := range header[1:] {
		by, err := groupName(field)
		if err != nil {
			return nil, failed(errGroups, "groups-column", "Error", err)
		}
		if slices.ContainsFunc(groupings, func(g grouping) bool { return g.by == by }) {
			return nil, failed(errGroups, "groups-columns-same", "Name", by)
		}
		groupings = append(groupings, grouping{by, make(map[string]string)})
	}
	return groupings, nil
}

// addGroups puts a row's person into a group of each grouping.
func addGroups(groupings []grouping, row []string, line int) error {
	person, err := groupName(row[0])
	if err != nil {
		return failed(errGroups, "groups-identity", "Line", line, "Error", err)
	}
	if _, twice := groupings[0].groups[person]; twice {
		return failed(errGroups, "groups-twice", "Line", line, "Name", person)
	}
	for i, g := range groupings {
		group, err := groupName(row[i+1])
		if err != nil {
			return failed(errGroups, "groups-field", "Line", line, "Column", g.by, "Name", person, "Error", err)
		}
		g.groups[person] = group
	}
	return nil
}

// groupName checks a name that will be printed.
func groupName(field string) (string, error) {
	name := strings.TrimSpace(field)
	if name == "" {
		return "", failed(nil, "groups-name-empty")
	}
	if strings.ContainsFunc(name, func(r rune) bool { return r == unicode.ReplacementChar || !unicode.IsPrint(r) }) {
		return "", failed(nil, "groups-name-odd", "Name", fmt.Sprintf("%+q", name))
	}
	return name, nil
}

// groupsFor reads a file's groupings and checks that they are of just the
// persons whose pictures these are.
func groupsFor(file string, pictures []picture) ([]grouping, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, failed(errGroups, "groups-unusable", "Error", err)
	}
	defer f.Close()
	groupings, err := readGroups(f)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	persons := make(map[string]bool)
	var missing, unknown []string
	for _, p := range pictures {
		if !persons[p.person] && groupings[0].groups[p.person] == "" {
			missing = append(missing, p.person)
		}
		persons[p.person] = true
	}
	for person := range groupings[0].groups {
		if !persons[person] {
			unknown = append(unknown, person)
		}
	}
	if len(missing) > 0 {
		return nil, failed(errGroups, "groups-missing", "File", file, "Names", enumerate(missing))
	}
	if len(unknown) > 0 {
		return nil, failed(errGroups, "groups-unknown", "File", file, "Names", enumerate(unknown))
	}
	return groupings, nil
}

// enumerate writes names in order, and not too many.
func enumerate(names []string) string {
	const most = 10
	slices.Sort(names)
	var quoted []string
	for _, name := range names[:min(len(names), most)] {
		quoted = append(quoted, fmt.Sprintf("%q", name))
	}
	s := strings.Join(quoted, ", ")
	if len(names) > most {
		s = say.Text("names-more", "Names", s, "More", len(names)-most)
	}
	return s
}

// A groupAccuracy is what `lintel accuracy` reports of one group: of its
// persons among themselves, so that an impostor comparison is between two of
// them. These are alike in what makes the group, and the false match rate is
// usually higher than among all.
type groupAccuracy struct {
	By              string            `json:"by"` // the column's name
	Group           string            `json:"group"`
	Identities      int               `json:"identities"`
	Images          int               `json:"images"`
	NotDetected     int               `json:"not_detected"`
	NotDetectedCI95 [2]float64        `json:"not_detected_ci95"` // of the share of Images
	Genuine         int               `json:"genuine"`
	Impostor        int               `json:"impostor"`
	At              []groupAccuracyAt `json:"at"`

	comparisons match.Comparisons
}

// A groupAccuracyAt has nil for a rate of which there is no comparison, and
// the interval from 0 to 1.
type groupAccuracyAt struct {
	Threshold float64    `json:"threshold"`
	FMR       *float64   `json:"fmr"`
	FMRCI95   [2]float64 `json:"fmr_ci95"`
	FNMR      *float64   `json:"fnmr"`
	FNMRCI95  [2]float64 `json:"fnmr_ci95"`
}

// byGroup reports on each group of each grouping, groupings in the order of the
// columns, groups by name.
func byGroup(groupings []grouping, pictures []picture) []groupAccuracy {
	var all []groupAccuracy
	for _, g := range groupings {
		members := make(map[string][]picture)
		for _, p := range pictures {
			members[g.groups[p.person]] = append(members[g.groups[p.person]], p)
		}
		from := len(all)
		for group, pictures := range members {
			all = append(all, groupAccuracyOf(g.by, group, pictures))
		}
		slices.SortFunc(all[from:], func(a, b groupAccuracy) int { return cmp.Compare(a.Group, b.Group) })
	}
	return all
}

func groupAccuracyOf(by, group string, pictures []picture) groupAccuracy {
	t := compareAll(pictures)
	a := groupAccuracy{By: by, Group: group, Identities: t.identities, Images: len(pictures), NotDetected: t.notDetected,
		Genuine: t.comparisons.Genuine(), Impostor: t.comparisons.Impostor(), comparisons: t.comparisons}
	a.NotDetectedCI95[0], a.NotDetectedCI95[1] = a.failureToAcquire().Interval(0.95)
	for _, threshold := range accuracyThresholds {
		fmr, fnmr := a.comparisons.FMR(threshold), a.comparisons.FNMR(threshold)
		at := groupAccuracyAt{Threshold: threshold, FMR: observed(fmr), FNMR: observed(fnmr)}
		at.FMRCI95[0], at.FMRCI95[1] = fmr.Interval(0.95)
		at.FNMRCI95[0], at.FNMRCI95[1] = fnmr.Interval(0.95)
		a.At = append(a.At, at)
	}
	return a
}

func (a *groupAccuracy) failureToAcquire() match.Rate {
	return match.Rate{Errors: a.NotDetected, N: a.Images}
}

// observed is a rate's value, or nil where there is none.
func observed(r match.Rate) *float64 {
	if r.N == 0 {
		return nil
	}
	v := r.Value()
	return &v
}

// writeGroups says the same to people.
func writeGroups(w io.Writer, groups []groupAccuracy) {
	by := ""
	for _, g := range groups {
		if g.By != by {
			if by != "" {
				fmt.Fprintln(w)
			}
			by = g.By
			tell(w, "groups-by", "Column", by)
		}
		fmt.Fprintln(w)
		tell(w, "groups-of", "Group", g.Group, "Persons", g.Identities, "Photographs", g.Images,
			"Rate", g.failureToAcquire(), "Range", g.failureToAcquire().IntervalString(), "Genuine", g.Genuine,
			"Impostor", g.Impostor)
		fmt.Fprintln(w)
		writeRates(w, g.comparisons)
	}
	fmt.Fprintln(w)
	tell(w, "groups-caution")
}

// writeRates writes a table of the rates at the thresholds.
func writeRates(w io.Writer, c match.Comparisons) {
	table := tabwriter.NewWriter(w, 0, 0, 3, ' ', 0)
	tell(table, "accuracy-head")
	for _, t := range accuracyThresholds {
		fmr, fnmr := c.FMR(t), c.FNMR(t)
		fmt.Fprint(table, say.Sprintf("%.2f\t%v\t%s\t%v\t%s\n", t, fmr, fmr.IntervalString(), fnmr, fnmr.IntervalString()))
	}
	table.Flush()
}

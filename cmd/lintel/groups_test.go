package main

import (
	"bytes"
	"encoding/csv"
	"errors"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"unicode"

	"lintel/internal/house"
	"lintel/internal/supplies"
)

func TestReadGroups(t *testing.T) {
	ages := grouping{"age", map[string]string{"ann": "old", "ben": "young"}}
	for _, c := range []struct {
		name, csv string
		want      []grouping
	}{
		{"one column", "identity,age\nann,old\nben,young\n", []grouping{ages}},
		{"two columns", "identity,age,beard\nann,old,no\nben,young,\"yes, long\"\n",
			[]grouping{ages, {"beard", map[string]string{"ann": "no", "ben": "yes, long"}}}},
		{"as a spreadsheet writes it", "\ufeffidentity,age\r\n\"ann\",\"old\"\r\nben,young", []grouping{ages}},
		{"spaces and empty lines", "identity , age\n\n ann , old \nben,\tyoung\n\n", []grouping{ages}},
		{"nobody", "identity,age\n", []grouping{{"age", map[string]string{}}}},
	} {
		got, err := readGroups(strings.NewReader(c.csv))
		if err != nil || !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: got %v, error %v, want %v", c.name, got, err, c.want)
		}
	}

	for _, c := range []struct{ name, csv, says string }{
		{"empty", "", "empty"},
		{"no header", "ann,old\n", `The first line of the groups is "ann,old"`},
		{"no groups", "identity\nann\n", "identity,group"},
		{"other separators", "identity;age\nann;old\n", "commas"},
		{"column without a name", "identity,\nann,old\n", "line 1: a column's name is empty"},
		{"column twice", "identity,age,age\n", "two columns"},
		{"person twice", "identity,age\nann,old\n\nann,young\n", `line 4: "ann" is there already`},
		{"no person", "identity,age\n ,old\n", "line 2: the identity is empty"},
		{"no group", "identity,age\nann,\n", `line 2: "age" of "ann" is empty`},
		{"field missing", "identity,age\nann\n", "line 2"},
		{"field too many", "identity,age\nann,old,yes\n", "line 2"},
		{"open quote", "identity,age\nann,\"old\n", "line 2"},
		{"escape sequence", "identity,age\nann,\x1b[2J\n", "can't be printed"},
		{"other encoding", "identity,age\nann,\xe4lter\n", "can't be printed"},
	} {
		got, err := readGroups(strings.NewReader(c.csv))
		if !errors.Is(err, errGroups) || got != nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: got %v, error %v, want %q in it", c.name, got, err, c.says)
		}
	}
}

// FuzzReadGroups checks that what is read has a group that can be printed for
// every person in every grouping, and is the same after writing it.
func FuzzReadGroups(f *testing.F) {
	for _, s := range []string{
		"identity,age\nann,old\n", "\ufeffidentity,a,b\r\nx,\"1,\"\"2\",3\r\n", "identity;age\n",
		"identity,age\nann,\"o\nld\"\n", "",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		groupings, err := readGroups(strings.NewReader(s))
		if err != nil {
			if !errors.Is(err, errGroups) {
				t.Errorf("error %v is not %v", err, errGroups)
			}
			return
		}
		header, rows := []string{"identity"}, [][]string{}
		for _, g := range groupings {
			header = append(header, g.by)
			if len(g.groups) != len(groupings[0].groups) {
				t.Errorf("%d persons by %s, %d by %s", len(g.groups), g.by, len(groupings[0].groups), groupings[0].by)
			}
		}
		for person := range groupings[0].groups {
			row := []string{person}
			for _, g := range groupings {
				row = append(row, g.groups[person])
			}
			for _, field := range row {
				if field == "" || strings.ContainsFunc(field, unicode.IsControl) {
					t.Errorf("%q was read", field)
				}
			}
			rows = append(rows, row)
		}
		var b bytes.Buffer
		w := csv.NewWriter(&b)
		w.Write(header)
		w.WriteAll(rows)
		again, err := readGroups(&b)
		if err != nil || !reflect.DeepEqual(again, groupings) {
			t.Errorf("%v, written and read again: %v, error %v", groupings, again, err)
		}
	})
}

// A trial worked by hand: four persons on a line, so that distances are
// differences. The intervals are those of no error in n, 0 to 1-0.025^(1/n),
// as Clopper and Pearson have it, and of nothing measured, 0 to 1.
func TestByGroup(t *testing.T) {
	at := func(person string, x float32) picture {
		return picture{person: person, face: house.Face{Descriptor: house.Descriptor{x}}, took: 1000}
	}
	pictures := []picture{
		at("a", 0), at("a", 0.375), // genuine: 0.375
		at("b", 1), at("b", 1.125), // genuine: 0.125
		at("c", 1.625), {person: "c", err: errors.New("no face found")},
		at("d", 2),
	}
	groupings := []grouping{
		{"age", map[string]string{"a": "young", "b": "young", "c": "old", "d": "old"}},
		{"beard", map[string]string{"a": "no", "b": "yes", "c": "no", "d": "no"}},
	}
	none := func(n float64) [2]float64 { return [2]float64{0, 1 - math.Pow(0.025, 1/n)} }
	rate := func(v float64) *float64 { return &v }
	nothing := [2]float64{0, 1}
	got := byGroup(groupings, pictures)
	want := []struct {
		by, group                                          string
		identities, images, notDetected, genuine, impostor int
		// at 0.40
		fmr      *float64
		fmrCI95  [2]float64
		fnmr     *float64
		fnmrCI95 [2]float64
	}{
		// Impostor: c and d, 0.375 apart. One error of one: 0.025 to 1.
		{"age", "old", 2, 3, 1, 0, 1, rate(1), [2]float64{0.025, 1}, nil, nothing},
		// Impostor: 1, 1.125, 0.625, 0.75 (a, b).
		{"age", "young", 2, 4, 0, 2, 4, rate(0), none(4), rate(0), none(2)},
		// Impostor: 1.625, 1.25 (a, c), 2, 1.625 (a, d), 0.375 (c, d), of which one matches.
		{"beard", "no", 3, 5, 1, 1, 5, rate(0.2), [2]float64{0.00505, 0.7164}, rate(0), none(1)},
		{"beard", "yes", 1, 2, 0, 1, 0, nil, nothing, rate(0), none(1)},
	}
	if len(got) != len(want) {
		t.Fatalf("%d groups, want %d", len(got), len(want))
	}
	near := func(a, b [2]float64) bool { return math.Abs(a[0]-b[0]) < 1e-4 && math.Abs(a[1]-b[1]) < 1e-4 }
	for i, w := range want {
		g := got[i]
		if g.By != w.by || g.Group != w.group || g.Identities != w.identities || g.Images != w.images ||
			g.NotDetected != w.notDetected || g.Genuine != w.genuine || g.Impostor != w.impostor {
			t.Errorf("group %d is %+v, want %+v", i, g, w)
		}
		at := g.At[1]
		if at.Threshold != 0.40 || !reflect.DeepEqual(at.FMR, w.fmr) || !reflect.DeepEqual(at.FNMR, w.fnmr) ||
			!near(at.FMRCI95, w.fmrCI95) || !near(at.FNMRCI95, w.fnmrCI95) {
			t.Errorf("%s %s at 0.40: %+v, want %+v", g.By, g.Group, at, w)
		}
	}
	if ci := got[1].NotDetectedCI95; !near(ci, none(4)) {
		t.Errorf("not detected, of 4: %v", ci)
	}

	saysByGroup(t, got)
}

// saysByGroup reads what is printed.
func saysByGroup(t *testing.T, got []groupAccuracy) {
	t.Helper()
	var text bytes.Buffer
	writeGroups(&text, got)
	for _, says := range []string{
		"By age.", "By beard.", "those within a group",
		"yes: persons 1, photographs 2, failure to acquire at most 85 %",
		"0.40 not measured not measured at most 98 %",
	} {
		if !strings.Contains(strings.Join(strings.Fields(text.String()), " "), says) {
			t.Errorf("no %q in\n%s", says, &text)
		}
	}
}

// Everybody in one group: its rates are those of the whole trial.
func TestOneGroupOfAll(t *testing.T) {
	models, pairs := supplies.NeedModels(t), facePairs(t)
	dir := t.TempDir()
	persons, err := picturesOfPersons(pairs)
	if err != nil {
		t.Fatal(err)
	}
	for i, name := range []string{"ann/1.jpg", "ann/2.jpg", "ben/1.jpg"} {
		writeFile(t, filepath.Join(dir, name), readFile(t, persons[i].file))
	}
	groups := filepath.Join(t.TempDir(), "groups.csv")
	writeFile(t, groups, []byte("identity,group\nann,all\nben,all\n"))
	var out, complaints bytes.Buffer
	if status := run(t.Context(), []string{"accuracy", dir, "--groups", groups, "--json", "--models", models}, &out,
		&complaints); status != exitRight {
		t.Fatalf("status %d: %s", status, &complaints)
	}
	var got groupedFields
	decodeExactly(t, out.Bytes(), &got)
	checkBandFields(t, got.Bands)
	if len(got.Groups) != 1 {
		t.Fatalf("%d groups: %s", len(got.Groups), &out)
	}
	g := got.Groups[0]
	if g.By != "group" || g.Group != "all" || g.Identities != 2 || g.Images != 3 || g.Genuine != 1 || g.Impostor != 2 ||
		!reflect.DeepEqual(g.At, got.At) {
		t.Errorf("the group: %+v, all: %+v", g, got)
	}
	if !strings.Contains(complaints.String(), "looking at photographs: 3 of 3") {
		t.Errorf("no progress in %q", &complaints)
	}
}

// accuracyFields are the fields of `lintel accuracy --json`, exactly: one more or
// less is an error. With --groups there are those of groupedFields.
type accuracyFields struct {
	Identities        int           `json:"identities"`
	Images            int           `json:"images"`
	NotDetected       int           `json:"not_detected"`
	Genuine           int           `json:"genuine"`
	Impostor          int           `json:"impostor"`
	EER               float64       `json:"eer"`
	At                []ratesFields `json:"at"`
	ThresholdAtFMR1e4 float64       `json:"threshold_at_fmr_1e4"`
	MsPerImageP50     float64       `json:"ms_per_image_p50"`
	Bands             []bandField   `json:"bands"`
}

type groupedFields struct {
	accuracyFields
	Groups []struct {
		By              string        `json:"by"`
		Group           string        `json:"group"`
		Identities      int           `json:"identities"`
		Images          int           `json:"images"`
		NotDetected     int           `json:"not_detected"`
		NotDetectedCI95 []float64     `json:"not_detected_ci95"`
		Genuine         int           `json:"genuine"`
		Impostor        int           `json:"impostor"`
		At              []ratesFields `json:"at"`
	} `json:"groups"`
}

type ratesFields struct {
	Threshold float64   `json:"threshold"`
	FMR       float64   `json:"fmr"`
	FMRCI95   []float64 `json:"fmr_ci95"`
	FNMR      float64   `json:"fnmr"`
	FNMRCI95  []float64 `json:"fnmr_ci95"`
}

// What is wrong with the groups is said before any photograph is looked at: the
// folder of models is empty.
func TestAccuracyGroupsErrors(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"ann/1.jpg", "ben/1.jpg", "cid/notes.txt"} {
		writeFile(t, filepath.Join(dir, name), nil)
	}
	for _, c := range []struct{ name, csv, says string }{
		{"good", "identity,group\nann,x\nben,x\n", "models fetch"},
		{"missing", "identity,group\nann,x\n", `photographs of "ben", but no line`},
		{"unknown", "identity,group\nann,x\nben,x\ndot,y\n", `the file has "dot", but there is no folder`},
		{"no photographs", "identity,group\nann,x\nben,x\ncid,y\n", `the file has "cid", but there is no folder`},
		{"no CSV", "\x00", "The first line of the groups is"},
	} {
		file := filepath.Join(t.TempDir(), "groups.csv")
		writeFile(t, file, []byte(c.csv))
		var out, complaints bytes.Buffer
		status := run(t.Context(), []string{"accuracy", dir, "--groups", file, "--models", t.TempDir()}, &out, &complaints)
		if status != exitFailed || !strings.Contains(complaints.String(), c.says) || out.Len() > 0 {
			t.Errorf("%s: status %d, stderr %q, want %q in it; stdout %q", c.name, status, &complaints, c.says, &out)
		}
	}
	var out, complaints bytes.Buffer
	status := run(t.Context(), []string{"accuracy", dir, "--groups", filepath.Join(dir, "absent.csv")}, &out, &complaints)
	if status != exitFailed || !strings.Contains(complaints.String(), "no such file") {
		t.Errorf("no file: status %d, stderr %q", status, &complaints)
	}
}

func TestEnumerate(t *testing.T) {
	if got := enumerate([]string{"ben", "ann"}); got != `"ann", "ben"` {
		t.Errorf("got %s", got)
	}
	if got := enumerate(strings.Split("l k j i h g f e d c b a", " ")); !strings.HasSuffix(got, `"j" and 2 more`) {
		t.Errorf("got %s", got)
	}
}

func readFile(t *testing.T, name string) []byte {
	t.Helper()
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

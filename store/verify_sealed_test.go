package store

import (
	"fmt"
	"io/fs"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// Every sealed value that does not open is found, in every column that has
// some, and none is invented.
func TestVerifySealed(t *testing.T) {
	for _, c := range sealedColumns {
		t.Run(c.table+" "+c.column, func(t *testing.T) {
			a, _, _ := newHousehold(t)
			others := 37
			var none bool // whether there is nothing yet that could be damaged
			must(t, a.read.QueryRowContext(t.Context(), fmt.Sprintf(`SELECT %s IS NULL FROM %s ORDER BY rowid DESC LIMIT 1`,
				c.column, c.table)).Scan(&none))
			if none {
				others++
			}
			res, err := a.write.ExecContext(t.Context(), fmt.Sprintf(`UPDATE %s SET %s = randomblob(60)
				WHERE rowid = (SELECT max(rowid) FROM %[1]s)`, c.table, c.column))
			if err == nil {
				err = oneRow(res, c.table)
			}
			if err != nil {
				t.Fatal(err)
			}
			for _, repair := range []bool{false, true} {
				r, err := a.Verify(t.Context(), repair, nil)
				if err != nil || r.Left != 1 || r.Sealed != others || r.Problems[0].What != WithSealed ||
					!strings.Contains(r.Problems[0].Words, c.column+" in "+c.table) {
					t.Errorf("%+v, %v", r, err)
				}
			}
		})
	}
}

// Columns that the migrations call sealed are those that Verify opens, but for
// the archive's mark and the audit trail's head, which are opened elsewhere.
func TestSealedColumnsAreKnown(t *testing.T) {
	var got []string
	names, _ := fs.Glob(migrations, "migrations/*.sql")
	for _, name := range names {
		script, err := migrations.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		table := ""
		for line := range strings.Lines(string(script)) {
			if m := regexp.MustCompile(`^CREATE TABLE (\w+)`).FindStringSubmatch(line); m != nil {
				table = m[1]
			}
			added := regexp.MustCompile(`^ALTER TABLE (\w+) ADD COLUMN (\w+) BLOB; -- sealed`)
			if m := added.FindStringSubmatch(line); m != nil {
				got = append(got, m[1]+"."+m[2])
			}
			if m := regexp.MustCompile(`^\s+(\w+) +BLOB.*-- sealed`).FindStringSubmatch(line); m != nil {
				got = append(got, table+"."+m[1])
			}
		}
	}
	want := []string{"audit_head.head"}
	for _, c := range sealedColumns {
		if c.column != "descriptor" && c.column != "sealed" { // said elsewhere in the script
			want = append(want, c.table+"."+c.column)
		}
	}
	got = slices.DeleteFunc(got, func(c string) bool { return c == "gallery.descriptor" })
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("the migrations have %q, known are %q", got, want)
	}
}

package store

import (
	"database/sql"
	"fmt"
	"slices"
	"strings"
	"testing"

	"lintel/internal/house"
	"lintel/store/internal/storetest"
)

// powerless are the tables whose rows give no power, with the reason.
var powerless = map[string]string{
	"master":         "its mark is sealed",
	"counters":       "they order changes, and say what is still to be cleaned up",
	"audit":          "each entry has the hash of the one before, and the last hash is sealed",
	"audit_head":     "sealed",
	"trail_checked":  "sealed; without it the trail is checked from its first entry on",
	"ledger":         "sealed",
	"visits":         "when somebody rang; its stills open for it alone",
	"stills":         "its file opens for its visit and frame alone",
	"looks":          "keyed hashes, by which a still that was there before is known",
	"appearances":    "they follow from faces and visits, and verify compares them",
	"ages":           "how many visits there are by age; it follows from visits, and verify compares it",
	"named":          "how many visits name a person; it follows from visits, and verify compares it",
	"days":           "how many visits a day had, for the visitor book; it follows from visits, and verify compares it",
	"departures":     "screens take away what they name",
	"advice_persons": "whom advice tells of, so that it goes with them",
	"reports":        "sealed, and only shown",
	"messages":       "what a display shows, which can be read at the door; the text is sealed for its row",
	"heartbeats":     "sealed, and only shown",
	"bell_days":      "sealed, and only shown",
	"bell_health":    "sealed; without it a bell counts as one that is well, and what was wrong is found anew",
	"bell_views":     "sealed; without it what a bell sees is learned anew",
	"portraits":      "its picture opens for its reference alone, and is only shown",
	"folder_files":   "keyed hashes, by which a file that was taken is known",
	"disk_days":      "numbers of bytes, and only shown",
	"clock":          "it puts sweeps off, or has one go by the rules that waits",
	"freed_slots":    "keys that are to go; whoever adds one could overwrite it where it is",
	"held_slots":     "keys that are to go; whoever adds one could overwrite it where it is",
	"free_slots":     "where the next keys come; whoever adds one could overwrite what is there",
	"erased_slots":   "keys that backups drop; whoever adds one could not read them, and could remove the backups",
	"folders":        "keyed hashes; when a folder was first watched",
	"strangers":      "who looks like whom, and only shown; a person is made of those who do by their descriptors",
	"seen_again":     "how often a stranger rang, and only shown",
	"strangers_gone": "numbers of faces that went, to let them go from memory",
}

// Every table's rows are vouched for, or give no power for a reason; and the
// columns vouched for are there.
func TestEveryTableIsVouchedForOrPowerless(t *testing.T) {
	a, _ := newArchive(t)
	tables, err := texts(a.write.QueryContext(t.Context(), `SELECT name FROM sqlite_schema WHERE type = 'table'`))
	must(t, err)
	for _, table := range tables {
		i := slices.IndexFunc(vouchedTables, func(v vouched) bool { return v.table == table })
		if _, none := powerless[table]; none == (i >= 0) {
			t.Errorf("%s: vouched for %v, powerless %v; it has to be one of them", table, i >= 0, none)
		}
		if i < 0 {
			continue
		}
		columns, err := texts(a.write.QueryContext(t.Context(), `SELECT name FROM pragma_table_info(?)`, table))
		must(t, err)
		for _, c := range append(vouchedTables[i].columns, "voucher") {
			if !slices.Contains(columns, c) {
				t.Errorf("%s has no column %s", table, c)
			}
		}
	}
	for _, v := range vouchedTables {
		if !slices.Contains(tables, v.table) {
			t.Errorf("there is no table %s", v.table)
		}
	}
}

// justTold are the columns of those tables that give no power.
var justTold = map[string]string{
	"bells.heard_at":     "when it was heard",
	"faces.sealed":       "opens for its face alone",
	"residents.language": "what they read",
	"tablets.language":   "what it shows",
	"sources.heard_at":   "when it was heard",
	"programs.used_at":   "when it asked",
	"programs.made_by":   "with whom it ends; it opens nothing",
	"sessions.seen_at":   "when it was used; it ends by expires_at however often that is",
	"sessions.browser":   "sealed, and only shown",
	"doubts.since":       "since when secrets are tried, which is shown",
	"doubts.times":       "how many were, which is shown",
	"doubts.networks":    "from how many networks, which is shown",
	"trial_rings.sealed": "opens for its ring alone",
}

// A column that is not vouched for is named here with the reason, so that nobody
// adds one that gives power and forgets it.
func TestEveryColumnIsVouchedForOrPowerless(t *testing.T) {
	a, _ := newArchive(t)
	for _, v := range vouchedTables {
		columns, err := texts(a.write.QueryContext(t.Context(), `SELECT name FROM pragma_table_info(?)`, v.table))
		must(t, err)
		for _, c := range columns {
			_, told := justTold[v.table+"."+c]
			told = told || c == "slot" // it says where the key is, which opens by that number alone
			if c != "voucher" && told == slices.Contains(v.columns, c) {
				t.Errorf("%s.%s: vouched for %v, powerless %v; it has to be one of them", v.table, c, !told, told)
			}
		}
	}
}

// outsider is a connection of somebody who can write the database file and has
// not the master key. Nothing is checked there that a key does not.
func outsider(t *testing.T, a *Archive) *sql.DB {
	t.Helper()
	db := storetest.Database(t, a.dir)
	db.SetMaxOpenConns(1)
	if _, err := db.Exec(`PRAGMA foreign_keys = OFF; PRAGMA ignore_check_constraints = ON`); err != nil {
		t.Fatal(err)
	}
	return db
}

// furnishAll adds rows to the tables that newHousehold leaves empty.
func furnishAll(t *testing.T, a *Archive) {
	t.Helper()
	for _, statement := range []string{
		`INSERT INTO erasures (what, id, at) VALUES ('visit', 'V1', 5), ('still', 'S1', 6)`,
		`INSERT INTO erasing (person, visits) SELECT id, 0 FROM persons`,
		`INSERT INTO erasing_periods (first, past, of) VALUES (0, 1 << 60, 9)`,
		`INSERT INTO removals (file) VALUES ('F1'), ('F2')`,
		`INSERT INTO links (id, token_hash, made_at, expires_at) VALUES ('L1', x'01', 5, 6), ('L2', x'02', 5, 6)`,
		`INSERT INTO misses (at, what, whom, by_whom) VALUES (5, 'code', '', ''), (6, 'code', '', '')`,
		`INSERT INTO doubts (kind, bell, at) VALUES ('clock', '', 5), ('secret', 'B', 6)`,
		`INSERT INTO factors (id, kind, person, source, at, until, strength)
			SELECT 'F1', 'token', id, '', 5, 6, 1 FROM persons`,
		`INSERT INTO checks (face, answer, asked, asked_distance, by, at)
			SELECT f.id, 'yes', p.id, 0.5, 'itself', 5 FROM faces f, persons p`,
	} {
		if _, err := a.write.ExecContext(t.Context(), statement); err != nil {
			t.Fatalf("%s: %v", statement, err)
		}
	}
}

// In each table that gives power, each column that is changed, each row that is
// removed or copied, and each voucher that is another row's or another table's is
// found, and once it is undone nothing is.
func TestSuspicionsOfEachTable(t *testing.T) {
	a, _, _ := newHousehold(t)
	furnishAll(t, a)
	db := outsider(t, a)
	none := house.Suspicion{}
	want := func(what string, want house.Suspicion) {
		t.Helper()
		all, uncounted, err := a.Suspicions(t.Context(), true)
		if want == none && len(all) == 0 && err == nil && !uncounted {
			return
		}
		if err != nil || uncounted || len(all) != 1 {
			t.Errorf("%s: %+v, uncounted %v, %v; want %+v", what, all, uncounted, err, want)
			return
		}
		if all[0].Large = false; all[0] != want {
			t.Errorf("%s: %+v, uncounted %v, %v; want %+v", what, all, uncounted, err, want)
		}
	}
	run := func(statement string, args ...any) {
		t.Helper()
		if _, err := db.ExecContext(t.Context(), statement, args...); err != nil {
			t.Fatalf("%s: %v", statement, err)
		}
	}
	want("at first", none)
	for _, v := range vouchedTables {
		var voucher []byte
		if err := db.QueryRow(`SELECT voucher FROM ` + v.table).Scan(&voucher); err != nil {
			t.Fatalf("a row of %s: %v", v.table, err)
		}
		columns := strings.Join(v.columns, ", ")
		for _, c := range v.columns {
			var was any
			must(t, db.QueryRow(fmt.Sprintf(`SELECT %s FROM %s WHERE voucher = ?`, c, v.table), voucher).Scan(&was))
			run(fmt.Sprintf(`UPDATE %s SET %s = CASE typeof(%[2]s) WHEN 'text' THEN %[2]s || 'X' WHEN 'blob'
				THEN CAST(%[2]s || x'00' AS BLOB) WHEN 'null' THEN (SELECT CASE type WHEN 'TEXT' THEN 'X' WHEN 'BLOB' THEN x'01'
				ELSE 1 END FROM pragma_table_info('%[1]s') WHERE name = '%[2]s') ELSE %[2]s + 1 END WHERE voucher = ?`,
				v.table, c), voucher)
			want(v.table+"."+c+" changed", house.Suspicion{Table: v.table, Strange: 1})
			run(fmt.Sprintf(`UPDATE %s SET %s = ? WHERE voucher = ?`, v.table, c), was, voucher)
		}
		want(v.table+" put right", none)

		run(`CREATE TEMP TABLE kept AS SELECT * FROM `+v.table+` WHERE voucher = ?`, voucher)
		run(`DELETE FROM `+v.table+` WHERE voucher = ?`, voucher)
		want(v.table+" removed", house.Suspicion{Table: v.table, Missing: 1})
		run(`INSERT INTO ` + v.table + ` SELECT * FROM kept`)
		run(`DROP TABLE temp.kept`)
		want(v.table+" back", none)

		run(`UPDATE `+v.table+` SET voucher = zeroblob(32) WHERE voucher = ?`, voucher)
		want(v.table+" with no voucher "+columns, house.Suspicion{Table: v.table, Strange: 1})
		run(`UPDATE ` + v.table + ` SET voucher = (SELECT voucher FROM ` + other(v.table) +
			`) WHERE voucher = zeroblob(32)`)
		want(v.table+" with another table's voucher", house.Suspicion{Table: v.table, Strange: 1})
		run(`UPDATE `+v.table+` SET voucher = ? WHERE voucher = (SELECT voucher FROM `+other(v.table)+`)`, voucher)
		want(v.table+" put right again", none)
	}
}

// other is another table.
func other(table string) string {
	if table == vouchedTables[0].table {
		return vouchedTables[1].table
	}
	return vouchedTables[0].table
}

package store

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store/internal/keyfile"
	"lintel/store/internal/storetest"
	"lintel/store/seal"
)

// plainColumns are the columns of bytes that are not sealed.
var plainColumns = map[string]string{
	"voucher":     "a keyed hash of the row",
	"secret_hash": "a hash", "token_hash": "a hash", "sha256": "a hash", "hash": "a hash", "before": "a hash",
	"name_mac": "a keyed hash", "source_mac": "a keyed hash", "mac": "a keyed hash", "sent_mac": "a keyed hash", "content": "a keyed hash",
	"file": "a keyed hash", "place": "a keyed hash",
}

// A sealedValue is one value in the database.
type sealedValue struct {
	table, column string
	row           int64
	named         string // of a setting
}

func (s sealedValue) String() string {
	return strings.TrimSpace(s.table + "." + s.column + " " + s.named)
}

// sealedValues finds a value of each sealed column, and each setting, by the schema
// alone: the columns of bytes that plainColumns does not name.
func sealedValues(t *testing.T, a *Archive) (all []sealedValue) {
	t.Helper()
	ctx := t.Context()
	rows, err := a.write.QueryContext(ctx, `SELECT t.name, c.name FROM pragma_table_list t
		JOIN pragma_table_info(t.name) c WHERE t.schema = 'main' AND t.type = 'table' AND c.type = 'BLOB' ORDER BY 1, 2`)
	columns, err := scanAll(rows, err, func(c *[2]string) error { return rows.Scan(&c[0], &c[1]) })
	must(t, err)
	for _, c := range columns {
		if plainColumns[c[1]] != "" {
			continue
		}
		query := `SELECT max(rowid), '' FROM main.%s WHERE %s IS NOT NULL HAVING count(*) > 0`
		if c[0] == "settings" { // each decides something else
			query = `SELECT rowid, name FROM main.%s WHERE %s IS NOT NULL AND name NOT GLOB '*[0-9A-Z]*'`
		}
		rows, err := a.write.QueryContext(ctx, fmt.Sprintf(query, c[0], c[1]))
		values, err := scanAll(rows, err, func(v *sealedValue) error {
			v.table, v.column = c[0], c[1]
			return rows.Scan(&v.row, &v.named)
		})
		if err != nil || len(values) == 0 {
			t.Errorf("%s.%s has no value to damage: let furnishSealed make one, or say in plainColumns why it needs none; %v",
				c[0], c[1], err)
		}
		all = append(all, values...)
	}
	return all
}

// furnishSealed adds what newHousehold leaves empty of sealed columns, and settings.
func furnishSealed(t *testing.T, a *Archive, c *clock) {
	t.Helper()
	ctx := t.Context()
	reader, _, err := a.AddSource(ctx, house.Reader, "", "The mat")
	must(t, err)
	_, err = a.GiveKey(ctx, reader)
	must(t, err)
	_, err = a.MoveSource(ctx, reader, func(json.RawMessage) (house.SourceMove, error) {
		return house.SourceMove{State: json.RawMessage(`{"counter":7}`)}, nil
	})
	must(t, err)
	index := a.seals.IndexKey() // as after the master key was changed
	_, err = a.write.ExecContext(ctx, `UPDATE master SET carried = ?`, a.seals.Value(index[:], "master.carried"))
	must(t, errors.Join(err, a.CheckWholeTrail(ctx)))
	_, err = a.Household(ctx)
	tablets, tabletErr := a.Tablets(ctx)
	must(t, errors.Join(err, tabletErr))
	must(t, errors.Join(
		a.SetTabletRules(ctx, tablets[0].ID, house.TabletRules{May: house.MayLook}),
		a.SetAdviceRules(ctx, house.AdviceRules{Paused: true}),
		a.SetChime(ctx, house.Chime{Volume: 40}),
		a.RenameBell(ctx, "gate", "Garden gate"),
		a.SetPrior(ctx, 0.25),
		a.TellOutside(ctx, -3.5),
		a.SetLens(ctx, "gate", house.Lens{Angle: 100, Projection: house.Straight, Height: 1.4}),
		a.BackedUp(ctx, Backup{At: c.Now(), Snapshot: "s"}, true)))
}

// A damaging spoils one value in an archive's folder, and reports whether it could.
type damaging struct {
	name  string
	spoil func(t *testing.T, dir string, v sealedValue) bool
	// vouched says that the rows are still those of who has the master key.
	vouched bool
}

var damagings = []damaging{
	{"by a bit", func(t *testing.T, dir string, v sealedValue) bool { return flipValue(t, dir, v, false) }, false},
	{"and vouched for", func(t *testing.T, dir string, v sealedValue) bool { return flipValue(t, dir, v, true) }, true},
	{"by a bit of its key", func(t *testing.T, dir string, v sealedValue) bool {
		return spoilSlot(t, dir, v, func(slot []byte) { slot[len(slot)/2] ^= 4 })
	}, true},
	{"by its slot", func(t *testing.T, dir string, v sealedValue) bool {
		rnd := rand.New(rand.NewPCG(5, 12))
		return spoilSlot(t, dir, v, func(slot []byte) {
			for i := range slot {
				slot[i] = byte(rnd.Uint32())
			}
			slot[0] &= 0x7f // it is not free
		})
	}, true},
}

// flipValue flips a bit of a value's end, with the voucher made right or not.
func flipValue(t *testing.T, dir string, v sealedValue, right bool) bool {
	if right && !slices.ContainsFunc(vouchedTables, func(t vouched) bool { return t.table == v.table }) {
		return false // it is the same
	}
	db := storetest.Database(t, dir)
	if right {
		a, err := Open(t.Context(), dir, testKey, newClock().Now)
		must(t, err)
		defer func() { must(t, a.Close()) }()
		db = a.write
	}
	var value []byte
	must(t, db.QueryRow(fmt.Sprintf(`SELECT %s FROM main.%s WHERE rowid = ?`, v.column, v.table), v.row).Scan(&value))
	value[len(value)-1] ^= 4
	_, err := db.Exec(fmt.Sprintf(`UPDATE main.%s SET %s = ? WHERE rowid = ?`, v.table, v.column), value, v.row)
	must(t, err)
	if !right {
		must(t, db.Close())
	}
	return true
}

// spoilSlot spoils the slot of a row that has one.
func spoilSlot(t *testing.T, dir string, v sealedValue, spoil func(slot []byte)) bool {
	if !slices.ContainsFunc(keyedTables, func(k keyedTable) bool {
		return k.table == v.table && slices.Contains(k.columns, v.column)
	}) {
		return false
	}
	db := storetest.Database(t, dir)
	var n keyfile.Number
	must(t, db.QueryRow(fmt.Sprintf(`SELECT slot FROM main.%s WHERE rowid = ?`, v.table), v.row).Scan(&n))
	must(t, db.Close())
	path := filepath.Join(dir, keyFile)
	keys, err := os.ReadFile(path)
	must(t, err)
	at := n.Position() * keyfile.SlotSize
	spoil(keys[at : at+keyfile.SlotSize])
	must(t, os.WriteFile(path, keys, 0o600))
	return true
}

// Whatever one value is damaged, and however: the archive opens as a server opens it,
// everything reads but that one value, everything can be erased, all that is due is
// swept, and a backup is made. What may fail is named in mayFail.
func TestDamageIsMetNotSpread(t *testing.T) {
	a, c, visits := newHousehold(t)
	furnishSealed(t, a, c)
	values := sealedValues(t, a)
	persons, err := a.Persons(t.Context())
	must(t, err)
	must(t, a.Close())
	files := copyFolder(t, a.dir)
	if len(values) < 35 {
		t.Errorf("%d values", len(values))
	}
	for _, v := range values {
		for _, how := range damagings {
			t.Run(v.String()+" "+how.name, func(t *testing.T) {
				dir := t.TempDir()
				writeFolder(t, dir, files)
				if !how.spoil(t, dir, v) {
					return
				}
				spoilt := copyFolder(t, dir)
				l := damageLife{t: t, v: v, dir: dir, clock: newClock(), visits: visits, person: persons[0].ID,
					vouched: how.vouched}
				l.read()
				l.erase()
				l.dir = t.TempDir()
				writeFolder(t, l.dir, spoilt)
				l.sweep()
			})
		}
	}
}

// mayFail is what fails with what, since nothing may go by a value that is damaged.
var mayFail = map[string]map[string]error{
	"settings.value rules":     {"rules": house.ErrUnvouched, "sweep": house.ErrUnvouched},
	"settings.value household": {"household": house.ErrUnvouched},
	"masks.polygons":           {"masks": house.ErrUnvouched},
	"sources.key":              {"key": seal.ErrOpen, "move": seal.ErrOpen},
	"sources.state":            {"key": seal.ErrOpen, "move": seal.ErrOpen}, // they have one key
	"sources.name":             {"key": seal.ErrOpen, "move": seal.ErrOpen},
	"audit_head.head":          {"trail": ErrTampered},
	"ledger.sealed":            {"standing": ErrUncounted},
}

type damageLife struct {
	t       *testing.T
	v       sealedValue
	dir     string
	clock   *clock
	visits  []string
	person  string
	vouched bool
}

// try wants something to go well, unless it may fail.
func (l *damageLife) try(what string, err error) {
	l.t.Helper()
	if err == nil {
		return
	}
	may, ok := mayFail[l.v.String()][what]
	if !ok {
		may, ok = mayFail[l.v.table+"."+l.v.column][what]
	}
	if l.v.table == "settings" && !l.vouched && errors.Is(err, house.ErrUnvouched) {
		return // somebody without the master key touched a setting, as far as anybody can tell
	}
	if l.v.table == "masks" && !l.vouched && errors.Is(err, house.ErrUnvouched) {
		return
	}
	if !ok || !errors.Is(err, may) {
		l.t.Errorf("%s: %v", what, err)
	}
}

// open opens the archive as a server does.
func (l *damageLife) open() *Archive {
	l.t.Helper()
	ctx := l.t.Context()
	a, err := Open(ctx, l.dir, testKey, l.clock.Now)
	if err != nil {
		l.t.Fatalf("opening: %v", err)
	}
	must(l.t, a.Lock())
	_, err = a.Recover(ctx)
	l.try("recover", err)
	_, err = a.TryGivenUp(ctx, "2")
	l.try("given up", errors.Join(err, a.FinishErasures(ctx)))
	return a
}

func (l *damageLife) read() {
	a := l.open()
	defer func() { must(l.t, a.Close()) }()
	ctx := l.t.Context()
	for what, look := range readings(a, l.visits, l.person) {
		l.try(what, look(ctx))
	}
	s, err := a.Snapshot(ctx, l.t.TempDir())
	l.try("backup", err)
	if err == nil {
		_, err := s.State(ctx, "")
		l.try("backup", errors.Join(err, s.SealedFiles(ctx, func(SealedFile) error { return nil }), s.Close()))
	}
	_, err = a.AddPerson(ctx, "Perrin Holt")
	l.try("add", err)
	_, _, err = a.Keep(ctx, stillOf("after", 0))
	l.try("keep", err)
	l.try("note", a.Note(ctx, "looked", "visit "+l.visits[0]))
	r, err := a.Verify(ctx, false, nil)
	if err != nil {
		l.t.Errorf("verify: %v", err)
	}
	told := slices.ContainsFunc(r.Problems, func(p Problem) bool {
		return strings.Contains(p.Words, l.v.table) || p.Subject == l.v.table || p.What == WithTrail || p.What == WithRows
	})
	if mended := l.v.table == "master" || l.v.table == "trail_checked"; !told && !mended {
		l.t.Errorf("verify tells of %+v", r.Problems)
	}
	// Of rows that nobody vouches for the suspicions tell.
	if all := a.Damaged(); l.vouched && l.v.table != "audit_head" && !slices.ContainsFunc(all,
		func(d house.Damage) bool { return d.What == l.v.table+"."+l.v.column }) {
		l.t.Errorf("met %+v", all)
	}
}

// erase erases a visit, the person and the rest, and wants all to be gone.
func (l *damageLife) erase() {
	a := l.open()
	defer func() { must(l.t, a.Close()) }()
	ctx := l.t.Context()
	l.try("erase a visit", a.EraseVisit(ctx, l.visits[0]))
	_, err := a.ErasePerson(ctx, l.person, false)
	l.try("erase the person", err)
	_ = a.EndHold(ctx, l.visits[4]) // where it is one that counts
	_, err = a.ErasePeriod(ctx, time.Date(2001, 1, 1, 0, 0, 0, 0, time.UTC), l.clock.Now().Add(time.Hour))
	l.try("erase a period", err)
	l.gone(a, `SELECT (SELECT count(*) FROM main.visits) 
		+ (SELECT count(*) FROM main.persons WHERE id = '`+l.person+`')
		+ (SELECT count(*) FROM main.faces) + (SELECT count(*) FROM main.gallery)`)
}

// gone wants a query to count nothing, and no still to be there.
func (l *damageLife) gone(a *Archive, query string) {
	l.t.Helper()
	var n int
	if err := a.write.QueryRowContext(l.t.Context(), query).Scan(&n); err != nil || n > 0 {
		l.t.Errorf("%d rows are left, %v", n, err)
	}
	if files := filesIn(l.t, a.dir, "stills"); len(files) > 0 {
		l.t.Errorf("left: %q", files)
	}
}

// sweep lets years go by.
func (l *damageLife) sweep() {
	a := l.open()
	defer func() { must(l.t, a.Close()) }()
	ctx := l.t.Context()
	shrink := func(jpeg []byte) ([]byte, int, int, error) { return jpeg[:1], 1, 1, nil }
	var err error
	for _, days := range []int{40, 400, 4000} {
		l.clock.Advance(time.Duration(days) * 24 * time.Hour)
		for range 2 { // the second goes on by a resident's word
			_, err = a.Sweep(ctx, shrink)
			if waits := (house.WaitingSweep{}); errors.As(err, &waits) {
				must(l.t, a.AllowSweep(ctx))
			}
		}
		l.try("sweep", err)
	}
	if err == nil {
		l.gone(a, `SELECT count(*) FROM main.visits`)
	}
}

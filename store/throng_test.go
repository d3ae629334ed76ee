package store

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store/internal/keyfile"
)

// A trace is something in the archive's folder that tells of somebody to
// whoever has the master key: a sealed value, a wrapped key, a keyed hash, a
// still's file.
type trace struct{ what, of, bytes string }

// tracesOf returns all there are, by a query of its own for each.
func tracesOf(t *testing.T, a *Archive) []trace {
	t.Helper()
	var all []trace
	for _, query := range []string{
		`SELECT 'ring', id, ring FROM visits`,
		`SELECT 'hold', visit, reason FROM holds`,
		`SELECT 'hash', visit, sha256 FROM stills WHERE file IS NOT NULL`,
		`SELECT 'sent', visit, sent_mac FROM stills`,
		`SELECT 'face', s.visit, f.sealed FROM faces f JOIN stills s ON s.id = f.still`,
		`SELECT 'look', s.visit, l.mac FROM looks l JOIN faces f ON f.id = l.face JOIN stills s ON s.id = f.still`,
		`SELECT 'advice', a.visit, a.sealed FROM advice a WHERE a.sealed IS NOT NULL`,
		`SELECT 'advised', p.person, a.sealed FROM advice a JOIN advice_persons p ON p.advice = a.id`,
		`SELECT 'rule', person, sealed FROM door_rules`,
		`SELECT 'phone', person, name FROM sources WHERE person IS NOT NULL`,
		`SELECT 'way', person, state FROM sources WHERE person IS NOT NULL AND state IS NOT NULL`,
		`SELECT 'token', person, label FROM tokens`,
		`SELECT 'token hash', person, mac FROM tokens`,
		`SELECT 'codes', person, secret FROM onetime`,
		`SELECT 'name', id, name FROM persons`,
		`SELECT 'consent', person, given_by FROM consents`,
		`SELECT 'scope', person, scope FROM consents`,
		`SELECT 'reference', person, descriptor FROM gallery`,
		`SELECT 'source', person, source_mac FROM gallery`,
	} {
		rows, err := a.read.QueryContext(t.Context(), query)
		found, err := scanAll(rows, err, func(x *trace) error { return rows.Scan(&x.what, &x.of, &x.bytes) })
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, found...)
	}
	rows, err := a.read.QueryContext(t.Context(), `SELECT visit, file FROM stills WHERE file IS NOT NULL`)
	files, err := scanAll(rows, err, func(x *trace) error { return rows.Scan(&x.of, &x.bytes) })
	must(t, err)
	for _, x := range files {
		data, err := a.openStill(x.bytes)
		must(t, err)
		all = append(all, trace{"picture", x.of, string(data)})
	}
	return append(all, keysOf(t, a)...)
}

// keysOf returns the wrapped keys of stills and of all rows, as their slots hold them.
func keysOf(t *testing.T, a *Archive) (all []trace) {
	t.Helper()
	query := `SELECT 'key', visit, slot FROM stills WHERE slot IS NOT NULL`
	for _, of := range keyedTables {
		query += ` UNION ALL SELECT 'key of ` + of.table + `', ` + of.id + `, slot FROM ` + of.table +
			` WHERE slot IS NOT NULL`
	}
	rows, err := a.read.QueryContext(t.Context(), query)
	slots := make(map[int]keyfile.Number)
	all, err = scanAll(rows, err, func(x *trace) error {
		var slot keyfile.Number
		err := rows.Scan(&x.what, &x.of, &slot)
		slots[len(slots)] = slot
		return err
	})
	must(t, err)
	for i := range all {
		wrapped, err := a.keys.Get(slots[i])
		must(t, err)
		all[i].bytes = string(wrapped)
	}
	return all
}

// A throng is an archive of hundreds of visits, in an order of no meaning, so
// that SQLite splits and joins pages as they come and go.
type throng struct {
	*Archive
	clock   *clock
	visits  []string
	persons []house.Person
	doors   []string
	named   map[string][]string // visits by person
}

const (
	throngVisits  = 120
	throngPersons = 8
	unnamedFirst  = 10 * throngPersons // visits from here on name nobody
	erasedVisits  = 15                 // of those
)

func newThrong(t *testing.T) *throng {
	t.Helper()
	a, c := newArchive(t)
	rnd := rand.New(rand.NewPCG(2031, 6)) // any seed will do
	all := &throng{Archive: a, clock: c, named: make(map[string][]string)}
	if _, err := a.AddBell(t.Context(), "yard"); err != nil {
		t.Fatal(err)
	}
	for i := range throngPersons {
		p, _ := enrolled(t, a, rnd, fmt.Sprintf("Perpetua Inkwell %03d.", i), 3)
		all.persons = append(all.persons, p)
		all.doors = append(all.doors, advised(t, a, p.ID, 100+i))
	}
	minutes := rnd.Perm(throngVisits)
	for i := range throngVisits {
		n := stillOf(fmt.Sprintf("ring-%d", i), 0)
		n.ReceivedAt = c.Now().Add(time.Duration(minutes[i]) * time.Minute)
		if i%4 == 3 {
			n.Bell = "yard"
		}
		n.JPEG = make([]byte, 100+rnd.IntN(400))
		for j := range n.JPEG {
			n.JPEG[j] = byte(rnd.Uint32())
		}
		id := keep(t, a, n)
		var match *house.Match
		if i < unnamedFirst {
			p := all.persons[i%throngPersons].ID
			match = &house.Match{Person: p, Distance: 0.3, FPIR: 1e-4, Band: "strong"}
			all.named[p] = append(all.named[p], id)
		}
		record(t, a, id, faceOf(rnd.Float32(), match))
		reason := house.Reason{Code: "parcel", Values: house.Values{Note: fmt.Sprintf("reason number %d", i)}}
		advice := house.Advice{Visit: id, Door: all.doors[i%len(all.doors)], State: house.Withheld, At: c.Now(),
			Conditions: []house.Condition{{Code: "on", Reasons: []house.Reason{reason}}}}
		if match != nil {
			advice.Person = match.Person
		}
		if _, err := a.AddAdvice(t.Context(), advice); err != nil {
			t.Fatal(err)
		}
		all.visits = append(all.visits, id)
	}
	c.Advance(throngVisits * time.Minute)
	return all
}

// record records a face on a visit's only still.
func record(t *testing.T, a *Archive, visit string, f house.Face) {
	t.Helper()
	var still string
	if err := a.read.QueryRowContext(t.Context(), `SELECT id FROM stills WHERE visit = ?`,
		visit).Scan(&still); err != nil {
		t.Fatal(err)
	}
	must(t, a.Record(t.Context(), still, house.Done, []house.Face{f}))
}

// keepFor sets rules by which visits of a kind go, or change, at once after a
// time, and all others stay.
func (c *throng) keepFor(t *testing.T, k house.Kind, r house.Rule) {
	t.Helper()
	rules, long := house.DefaultRules(), house.Period{Days: house.MaxDays}
	for kind := range rules.Keep {
		rules.Keep[kind] = house.Rule{Stills: long, Findings: long}
	}
	rules.Keep[k] = r
	must(t, c.SetRules(t.Context(), rules))
}

package store

import (
	"context"
	"crypto/hmac"
	"database/sql"
	"database/sql/driver"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"

	"modernc.org/sqlite"
)

// Rows that give power (a session, a factor, a rule) carry a voucher: a keyed
// hash of the table's name and of the row's columns that give it. Nothing that
// writes or reads such rows has to think of that:
//
//   - On the connection that writes, triggers vouch for each row that is added,
//     and anew for each that is changed, if it was vouched for before: a change
//     carries trust on and makes none. They keep the ledger too.
//   - On those that read, a view of the table's own name stands before it and
//     shows the rows that are vouched for, so that any other is as if it were not
//     there.
//
// Both last as long as the connection. Within a transaction that writes, a
// SELECT sees every row; where it decides something, it says [vouchedFor]. So does
// one that reads of main.T, the table itself. Names are read that way: they are
// sealed for their row, and a visit does not go when somebody touches its bell.
//
// A new table belongs in vouchedTables, with a column voucher BLOB, or in the
// list of those that give no power in vouch_test.go. A new column that gives
// power is added to its table's list here and is NULL in the rows there are: a
// column that is NULL is left out of the hash, so their vouchers stay right. A
// migration that copies rows copies their voucher, and one that changes what is
// vouched for does so by statements, which the triggers see.

// vouched is a table whose rows are vouched for.
type vouched struct {
	table   string
	columns []string // that give power, with those that name the row

	// whole is the condition that an update gives every column that gives power,
	// as those of settings do: a row that nobody vouched for is then made good.
	whole string
	// large says that there may be a row for every visit.
	large bool
}

// vouchedTables are those whose rows give power. Columns that only tell, such as
// when somebody was heard last, are not among theirs.
var vouchedTables = []vouched{
	// who may come in
	{table: "residents", columns: words("id name name_mac password_hash pin_hash added_at")},
	{table: "tablets", columns: words("id name paired_by paired_at")},
	{table: "sessions", columns: words("token_hash id resident tablet started_at expires_at")},
	{table: "links", columns: words("id token_hash resident made_by made_at expires_at")},
	{table: "programs", columns: words("id name_mac sealed token_hash added_at ended_at")},
	{table: "bells", columns: words("id name secret_hash added_at removed_at"), whole: "old.removed_at IS NOT NULL"},
	// who is known
	{table: "persons", columns: words("id name added_at")},
	{table: "consents", columns: words("id person given_by given_at scope recorded_at withdrawn_at")},
	{table: "gallery", columns: words("id person descriptor face_width quality source_mac added_at")},
	{table: "faces", columns: words("id still person distance fpir band probability frames"), large: true},
	{table: "checks", columns: words("face answer asked asked_distance person person_distance by at")},
	// what is kept, hidden and erased
	{table: "settings", columns: words("name value"), whole: "true"},
	{table: "masks", columns: words("bell polygons revision"), whole: "true"},
	{table: "holds", columns: words("visit reason placed_at ends_at"), whole: "true"},
	{table: "erasures", columns: words("what id at"), large: true},
	{table: "erasing", columns: words("person visits"), whole: "true"},
	{table: "erasing_periods", columns: words("first past of"), whole: "true"},
	{table: "removals", columns: words("file")},
	// what a door may be opened by
	{table: "doors", columns: words("id sealed"), whole: "true"},
	{table: "door_rules", columns: words("id person door sealed"), whole: "true"},
	{table: "parcel_rules", columns: words("id door sealed ends_at used_by")},
	{table: "sources", columns: words("id kind person name token_hash key added_at state")},
	{table: "tokens", columns: words("id person label mac")},
	{table: "onetime", columns: words("person secret last_step added_at"), whole: "old.secret <> new.secret"},
	{table: "factors", columns: words("id kind person source visit at until strength used_by")},
	{table: "misses", columns: words("at what whom by_whom")},
	{table: "doubts", columns: words("kind bell at own"), whole: "true"},
	{table: "receivers", columns: words("id door name key token_hash added_at")},
	{table: "advice", columns: words("id visit door state at expires_at unmet unasked sealed")},
	{table: "trials", columns: words("id bell resident step started_at ends_at ended_at")},
	{table: "trial_rings", columns: words("id trial visit step at")},
}

func words(text string) []string { return strings.Fields(text) }

// right is the condition that a row is vouched for; of is what stands before its
// columns in the statement, such as "f." or "old.", or nothing.
func (t vouched) right(of string) string {
	return fmt.Sprintf(`vouched('%s', %svoucher, %s)`, t.plan(), of, t.values(of))
}

// vouchedFor is right for a table of vouchedTables, by its name.
func vouchedFor(table, of string) string { return vouchedTable(table).right(of) }

func vouchedTable(name string) vouched {
	return vouchedTables[slices.IndexFunc(vouchedTables, func(t vouched) bool { return t.table == name })]
}

// plan says to the functions whose and which columns the values are that follow.
func (t vouched) plan() string { return t.table + " " + strings.Join(t.columns, " ") }

func (t vouched) values(of string) string { return of + strings.Join(t.columns, ", "+of) }

// view is what connections that read are told of a table when they open; key are the
// columns that name a row.
func (t vouched) view(key []string) string {
	shown := "*"
	if key[0] == "rowid" {
		shown = "rowid AS rowid, *" // else a view has none
	}
	return fmt.Sprintf("CREATE TEMP VIEW %[1]s AS SELECT %[2]s FROM main.%[1]s WHERE %[3]s;\n", t.table, shown,
		t.right(""))
}

// triggers are what the connection that writes is told.
func (t vouched) triggers(key []string) string {
	same := make([]string, len(key))
	for i, column := range key {
		same[i] = column + " = new." + column
	}
	where := strings.Join(same, " AND ")
	sign := fmt.Sprintf(`UPDATE %s SET voucher = vouch('%s', %s) WHERE %s`, t.table, t.plan(), t.values(""), where)
	written := fmt.Sprintf(`(SELECT voucher FROM %s WHERE %s)`, t.table, where)
	before, only := "old.voucher", "WHEN "+t.right("old.")
	if t.whole != "" {
		before, only = fmt.Sprintf(`iif(%s, old.voucher, NULL)`, t.right("old.")), only+" OR "+t.whole
	}
	book := func(old, new string) string {
		return fmt.Sprintf(`UPDATE ledger SET sealed = booked(sealed, '%s', %s, %s)`, t.table, old, new)
	}
	var b strings.Builder
	for _, trigger := range []struct{ name, on, does string }{
		{"inserted", "INSERT ON main." + t.table, sign + ";\n" + book("NULL", written)},
		{"updated", "UPDATE OF " + t.values("") + " ON main." + t.table + " " + only, sign + ";\n" + book(before, written)},
		{"deleted", "DELETE ON main." + t.table + " WHEN " + t.right("old."), book("old.voucher", "NULL")},
	} {
		name := t.table + "_" + trigger.name
		fmt.Fprintf(&b, "DROP TRIGGER IF EXISTS temp.%s;\nCREATE TEMP TRIGGER %s AFTER %s BEGIN\n%s;\nEND;\n", name, name,
			trigger.on, trigger.does)
	}
	return b.String()
}

// guardsFor returns the triggers and the views for the tables as they are in the
// database: while it is migrated, it may lack some, or columns of theirs. Lacking is
// one that has no vouchers.
func guardsFor(ctx context.Context, q querier) (triggers, views, lacking string, err error) {
	type column struct {
		table, name string
		key         bool
		rowid       bool
	}
	rows, err := q.QueryContext(ctx, `SELECT t.name, c.name, c.pk > 0, NOT t.wr FROM pragma_table_list t
		JOIN pragma_table_info(t.name) c WHERE t.schema = 'main' AND t.type = 'table'`)
	columns, err := scanAll(rows, err, func(c *column) error { return rows.Scan(&c.table, &c.name, &c.key, &c.rowid) })
	if err != nil {
		return "", "", "", fmt.Errorf("reading the schema: %w", err)
	}
	var writing, reading strings.Builder
	for _, t := range vouchedTables {
		var there, key []string
		for _, c := range columns {
			if c.table != t.table {
				continue
			}
			there = append(there, c.name)
			if c.rowid {
				key = []string{"rowid"}
			} else if c.key {
				key = append(key, c.name)
			}
		}
		if !slices.Contains(there, "voucher") {
			lacking = t.table
			continue
		}
		t.columns = slices.DeleteFunc(slices.Clone(t.columns), func(c string) bool { return !slices.Contains(there, c) })
		writing.WriteString(t.triggers(key))
		reading.WriteString(t.view(key))
	}
	if slices.ContainsFunc(columns, func(c column) bool { return c.table == "days" }) {
		writing.WriteString(dayTriggers)
	}
	return writing.String(), reading.String(), lacking, nil
}

// A guarded opens connections that know the functions of vouching, and have the
// guards that were set last.
type guarded struct {
	driver *sqlite.Driver
	dsn    string
	guards atomic.Pointer[string]
}

func (g *guarded) Driver() driver.Driver { return g.driver }

func (g *guarded) Connect(ctx context.Context) (driver.Conn, error) {
	c, err := g.driver.Open(g.dsn)
	if err != nil {
		return nil, err
	}
	if text := g.guards.Load(); text != nil {
		if _, err := c.(driver.ExecerContext).ExecContext(ctx, *text, nil); err != nil {
			return nil, errors.Join(fmt.Errorf("guarding the rows that give power: %w", err), c.Close())
		}
	}
	return c, nil
}

// newDriver returns SQLite with the functions of vouching, under the archive's
// own keys.
func (a *Archive) newDriver() (*sqlite.Driver, error) {
	d := new(sqlite.Driver)
	return d, errors.Join(
		d.RegisterFunction("vouch", &sqlite.FunctionImpl{NArgs: -1, Scalar: a.vouchFunction, Deterministic: true}),
		d.RegisterFunction("vouched", &sqlite.FunctionImpl{NArgs: -1, Scalar: a.vouchedFunction, Deterministic: true}),
		d.RegisterFunction("booked", &sqlite.FunctionImpl{NArgs: 4, Scalar: a.bookedFunction}),
		d.RegisterFunction("local_day", &sqlite.FunctionImpl{NArgs: 2, Scalar: a.localDayFunction}),
		d.RegisterFunction("warns", &sqlite.FunctionImpl{NArgs: 2, Scalar: a.warnsFunction}))
}

// openPools opens the one connection that writes and those that read. They have no
// guards until [Archive.guard] sets them.
func (a *Archive) openPools() (err error) {
	if a.write, a.writer, err = a.openGuarded("immediate"); err != nil {
		return err
	}
	if a.read, a.reader, err = a.openGuarded("deferred"); err != nil {
		return errors.Join(err, a.write.Close())
	}
	a.write.SetMaxOpenConns(1)
	a.turn = make(chan struct{}, 1)
	readers := max(4, runtime.NumCPU())
	a.read.SetMaxOpenConns(readers)
	a.read.SetMaxIdleConns(readers) // to open one and guard it takes longer than most of what is asked
	return nil
}

// guard sets the guards for the tables that are there, and anew once the schema has
// changed, opens the keys that they name, and returns what schemaOf does. Nothing is read before it is what it
// will be: connections that read keep the guards that they opened with.
func (a *Archive) guard(ctx context.Context) (names []string, version int, err error) {
	names, version, err = schemaOf(ctx, a.write)
	if err != nil {
		return nil, 0, err
	}
	a.vouches = version > slices.Index(names, vouchingScript)
	a.findKeyed(names, version)
	triggers, views, lacking, err := guardsFor(ctx, a.write)
	if err == nil && a.vouches && lacking != "" && version == len(names) {
		err = fmt.Errorf("%w (%s has no vouchers)", ErrDamaged, lacking)
	}
	if err != nil {
		return nil, 0, err
	}
	a.writer.guards.Store(&triggers)
	a.reader.guards.Store(&views)
	if _, err = a.write.ExecContext(ctx, triggers); err != nil {
		return nil, 0, fmt.Errorf("guarding the rows that give power: %w", err)
	}
	return names, version, a.openKeys(ctx)
}

func (a *Archive) openGuarded(txlock string) (*sql.DB, *guarded, error) {
	dir, mode := a.dir, "rw"
	if a.ReadOnly() {
		dir, mode = a.immutable, immutableMode
	}
	dsn, err := sourceName(dir, mode, txlock)
	if err != nil {
		return nil, nil, err
	}
	d, err := a.newDriver()
	if err != nil {
		return nil, nil, fmt.Errorf("opening the archive's database: %w", err)
	}
	g := &guarded{driver: d, dsn: dsn}
	return sql.OpenDB(g), g, nil
}

// The functions of vouching, as statements call them.

// vouchFunction is vouch(plan, value…): a row's voucher.
func (a *Archive) vouchFunction(_ *sqlite.FunctionContext, args []driver.Value) (driver.Value, error) {
	row, err := canonical(args[0], args[1:])
	if err != nil {
		return nil, err
	}
	return a.seals.Vouch(row), nil
}

// vouchedFunction is vouched(plan, voucher, value…): whether the voucher is right.
func (a *Archive) vouchedFunction(_ *sqlite.FunctionContext, args []driver.Value) (driver.Value, error) {
	voucher, ok := args[1].([]byte)
	if !ok {
		return int64(0), nil
	}
	row, err := canonical(args[0], args[2:])
	if err != nil {
		return nil, err
	}
	if !hmac.Equal(voucher, a.seals.Vouch(row)) {
		return int64(0), nil
	}
	return int64(1), nil
}

// canonical writes a row so that no two read the same: the table, then of each
// column that is not NULL the name, the type and the value, each with its length
// before it.
func canonical(plan driver.Value, values []driver.Value) ([]byte, error) {
	text, _ := plan.(string)
	b := make([]byte, 0, 512)
	table, columns, _ := strings.Cut(text, " ")
	b = appendPart(b, table)
	for _, v := range values {
		var column string
		column, columns, _ = strings.Cut(columns, " ")
		if v == nil {
			continue
		}
		b = appendPart(b, column)
		switch v := v.(type) {
		case string:
			b = appendPart(append(b, 't'), v)
		case []byte:
			b = appendPart(append(b, 'b'), v)
		case int64:
			b = binary.BigEndian.AppendUint64(append(b, 'i'), uint64(v))
		case float64:
			b = binary.BigEndian.AppendUint64(append(b, 'r'), math.Float64bits(v))
		default:
			return nil, fmt.Errorf("vouching for column %s of %s: it is a %T", column, table, v)
		}
	}
	return b, nil
}

func appendPart[T string | []byte](b []byte, part T) []byte {
	return append(binary.BigEndian.AppendUint32(b, uint32(len(part))), part...)
}

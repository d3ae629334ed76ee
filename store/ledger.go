package store

import (
	"bytes"
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"math/big"
	"sync"

	"modernc.org/sqlite"

	"lintel/internal/house"
)

// A ledger counts the rows that are vouched for, so that one that is missing, or
// is what it was before, shows: of each table how many there are, and the sum of
// what their vouchers count for. That is MSet-Add-Hash of Clarke and others,
// "Incremental Multiset Hash Functions and Their Application to Memory Integrity
// Checking" (ASIACRYPT 2003), with the sum sealed instead of blinded: two sets of
// rows have the same sum only by chance or by who knows the key. A change costs one
// addition, whatever the size of the table.
//
// It is sealed whole in one row. Whoever puts back that row and all the tables
// puts back the archive as it was, and nothing within tells: the number of
// changes, kept beside the master key, does.
type ledger struct {
	Due     bool              `json:"due,omitempty"` // rows are still to be vouched for the first time
	Changes int64             `json:"changes"`       // how often it was written
	Settled int64             `json:"settled"`       // when it was restored or counted anew, µs; 0 for never
	Tables  map[string]*tally `json:"tables"`
}

// A tally is of one table.
type tally struct {
	Rows int64    `json:"rows"`
	Sum  *big.Int `json:"sum"` // modulo 2^256
}

func (t *tally) add(rows int64, count [32]byte) {
	n := new(big.Int).SetBytes(count[:])
	if rows < 0 {
		n.Neg(n)
	}
	t.Rows += rows
	t.Sum.Add(t.Sum, n).Mod(t.Sum, modulus)
}

var modulus = new(big.Int).Lsh(big.NewInt(1), 256)

func (l *ledger) of(table string) *tally {
	if l.Tables == nil {
		l.Tables = make(map[string]*tally)
	}
	if l.Tables[table] == nil {
		l.Tables[table] = &tally{Sum: new(big.Int)}
	}
	return l.Tables[table]
}

// lastBooked is the ledger that was written last, so that the next change need
// not open it.
type lastBooked struct {
	mu     sync.Mutex
	sealed []byte
	ledger ledger
}

// bookedFunction is booked(sealed, table, old, new): the ledger with a row that
// had the voucher old and has new, either of which may be NULL. One that does not
// open stays as it is, which [Archive.Verify] tells.
func (a *Archive) bookedFunction(_ *sqlite.FunctionContext, args []driver.Value) (driver.Value, error) {
	sealed, _ := args[0].([]byte)
	table, _ := args[1].(string)
	last := &a.booked
	last.mu.Lock()
	defer last.mu.Unlock()
	if !bytes.Equal(sealed, last.sealed) || sealed == nil {
		var err error
		if last.ledger, err = a.openLedger(sealed); err != nil {
			last.sealed = nil
			return args[0], nil
		}
	}
	last.ledger.Changes++
	for i, rows := range []int64{-1, 1} {
		if voucher, ok := args[2+i].([]byte); ok {
			last.ledger.of(table).add(rows, a.seals.Count(voucher))
		}
	}
	var err error
	last.sealed, err = a.sealJSON(last.ledger, "ledger.sealed")
	return last.sealed, err
}

func (a *Archive) openLedger(sealed []byte) (l ledger, err error) {
	return l, a.openJSON(&l, sealed, "ledger.sealed")
}

// readLedger returns the ledger; found is false if there is none that opens.
func (a *Archive) readLedger(ctx context.Context, q querier) (l ledger, found bool, err error) {
	var sealed []byte
	err = q.QueryRowContext(ctx, `SELECT sealed FROM ledger`).Scan(&sealed)
	if errors.Is(err, sql.ErrNoRows) {
		return l, false, nil
	}
	if err != nil {
		return l, false, fmt.Errorf("reading the ledger: %w", err)
	}
	l, err = a.openLedger(sealed)
	return l, err == nil, nil
}

func (a *Archive) writeLedger(ctx context.Context, tx *sql.Tx, l ledger) error {
	sealed, err := a.sealJSON(l, "ledger.sealed")
	if err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, `INSERT INTO ledger (id, sealed) VALUES (1, ?)
		ON CONFLICT (id) DO UPDATE SET sealed = excluded.sealed`, sealed); err != nil {
		return fmt.Errorf("writing the ledger: %w", err)
	}
	return nil
}

// vouchingScript is the migration that brings vouchers.
const vouchingScript = "migrations/0013_authentic.sql"

// vouchedAction is the entry of the audit trail that rows were vouched for.
const vouchedAction = "vouched"

// beginVouching says, in the transaction of the migration that brings vouchers,
// that the rows there are have yet to get theirs, unless the archive had them.
func (a *Archive) beginVouching(ctx context.Context, tx *sql.Tx) error {
	never, err := a.neverVouched(ctx, tx)
	if err != nil || !never {
		return err
	}
	return a.writeLedger(ctx, tx, ledger{Due: true})
}

// neverVouched reports whether the archive has not had vouchers yet, by its mark
// and its trail. One that had them and has none has lost them to somebody who
// wants rows of their own vouched for.
func (a *Archive) neverVouched(ctx context.Context, tx *sql.Tx) (bool, error) {
	var mark []byte
	var had bool
	err := tx.QueryRowContext(ctx, `SELECT (SELECT mark FROM master), EXISTS (SELECT 1 FROM audit WHERE action = ?)`,
		vouchedAction).Scan(&mark, &had)
	if err != nil {
		return false, fmt.Errorf("looking for the archive's mark: %w", err)
	}
	if mark != nil {
		return !had && !a.vouchingMark(mark), nil
	}
	entries, _, err := a.auditHead(ctx, tx)
	if errors.Is(err, ErrTampered) {
		return false, nil
	}
	return entries == 0, err // a new archive has done nothing yet
}

// vouchingMark reports whether an archive with this mark has had vouchers.
func (a *Archive) vouchingMark(mark []byte) bool {
	_, err := a.seals.OpenValue(mark, markPlace...)
	return err == nil
}

// vouchForAll gives the rows of an archive that had no vouchers theirs, once, if
// beginVouching said so.
func (a *Archive) vouchForAll(ctx context.Context) error {
	return a.update(ctx, func(tx *sql.Tx) error {
		l, found, err := a.readLedger(ctx, tx)
		if err != nil || !found || !l.Due {
			return err
		}
		if never, err := a.neverVouched(ctx, tx); err != nil || !never {
			return err
		}
		l = ledger{Changes: 1}
		for _, t := range vouchedTables {
			if err := a.vouchForTable(ctx, tx, t, l.of(t.table)); err != nil {
				return fmt.Errorf("vouching for %s: %w", t.table, err)
			}
		}
		res, err := tx.ExecContext(ctx, `UPDATE master SET mark = ?`, a.newMark())
		if err != nil {
			return fmt.Errorf("marking the archive: %w", err)
		}
		if err := a.writeLedger(ctx, tx, l); err != nil {
			return err
		}
		if n, err := res.RowsAffected(); err != nil || n == 0 {
			return err // a new archive, which gets its mark next
		}
		return a.note(house.By(ctx, house.ByItself), tx, vouchedAction, "archive")
	})
}

// vouchForTable vouches for every row of a table, whoever wrote it.
func (a *Archive) vouchForTable(ctx context.Context, tx *sql.Tx, t vouched, sum *tally) error {
	if _, err := tx.ExecContext(ctx, fmt.Sprintf(`UPDATE %s SET voucher = vouch('%s', %s)`, t.table, t.plan(),
		t.values(""))); err != nil {
		return err
	}
	return a.sumUp(ctx, tx, t, sum)
}

// sumUp adds up all rows of a table, each of which has a right voucher.
func (a *Archive) sumUp(ctx context.Context, tx *sql.Tx, t vouched, sum *tally) error {
	rows, err := tx.QueryContext(ctx, `SELECT voucher FROM `+t.table)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var voucher sql.RawBytes
		if err := rows.Scan(&voucher); err != nil {
			return err
		}
		sum.add(1, a.seals.Count(voucher))
	}
	return rows.Err()
}

// Suspicions lists the tables in which somebody without the master key has added,
// changed, removed or put back rows that give power. Without large, tables that
// have rows of every visit are left out: of 100,000 visits those take a second.
// Uncounted says that the ledger itself is missing or broken, so that nothing
// tells which rows are.
func (a *Archive) Suspicions(ctx context.Context, large bool) (all []house.Suspicion, uncounted bool, err error) {
	return a.suspicions(ctx, func(t vouched) bool { return large || !t.large })
}

// suspicions lists those of the tables that a function picks, all as of one moment.
func (a *Archive) suspicions(ctx context.Context, picks func(vouched) bool) (all []house.Suspicion, uncounted bool,
	err error) {
	tx, err := a.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, false, fmt.Errorf("checking the rows that give power: %w", err)
	}
	defer tx.Rollback()
	return a.suspicionsIn(ctx, tx, picks)
}

func (a *Archive) suspicionsIn(ctx context.Context, tx *sql.Tx, picks func(vouched) bool) (all []house.Suspicion,
	uncounted bool, err error) {
	l, found, err := a.readLedger(ctx, tx)
	if err != nil {
		return nil, false, err
	}
	for _, t := range vouchedTables {
		if !picks(t) {
			continue
		}
		s, err := a.suspicionOf(ctx, tx, t, l, found)
		if err != nil {
			return nil, false, fmt.Errorf("checking the rows of %s: %w", t.table, damage(err))
		}
		if s.Strange > 0 || s.Missing > 0 || s.PutBack {
			all = append(all, s)
		}
	}
	return all, !found, nil
}

// small picks the tables that are gone through before anything is suggested.
func small(t vouched) bool { return !t.large }

// mustBeTrusted returns house.ErrSuspect where there are suspicions: a factor or a
// rule that was put back as it once was can't be told from one that is.
func (a *Archive) mustBeTrusted(ctx context.Context, tx *sql.Tx) error {
	return suspect(a.suspicionsIn(ctx, tx, small))
}

// trusted is mustBeTrusted in a transaction of its own.
func (a *Archive) trusted(ctx context.Context) error { return suspect(a.suspicions(ctx, small)) }

func suspect(all []house.Suspicion, uncounted bool, err error) error {
	if err == nil && (uncounted || len(all) > 0) {
		err = house.ErrSuspect
	}
	return err
}

// mustBeUntouched returns house.ErrUnvouched where a table is suspect, so that
// nobody goes by what was put back there or by what is missing.
func (a *Archive) mustBeUntouched(ctx context.Context, table string) error {
	all, _, err := a.suspicions(ctx, func(t vouched) bool { return t.table == table })
	if err == nil && len(all) > 0 {
		err = fmt.Errorf("%s: %w", table, house.ErrUnvouched)
	}
	return err
}

// suspicionOf compares a table's rows with their vouchers and with the ledger, if
// there is one.
func (a *Archive) suspicionOf(ctx context.Context, tx *sql.Tx, t vouched, l ledger,
	counted bool) (house.Suspicion, error) {
	s, sum := house.Suspicion{Table: t.table, Large: t.large}, tally{Sum: new(big.Int)}
	rows, err := tx.QueryContext(ctx, `SELECT voucher, `+t.right("")+` FROM main.`+t.table)
	if err != nil {
		return s, err
	}
	defer rows.Close()
	for rows.Next() {
		var voucher sql.RawBytes
		var right bool
		if err := rows.Scan(&voucher, &right); err != nil {
			return s, err
		}
		if !right {
			s.Strange++
			continue
		}
		sum.add(1, a.seals.Count(voucher))
	}
	if err := rows.Err(); err != nil || !counted {
		return s, err
	}
	want := l.of(t.table)
	// A row that was changed is both strange and missing: it is told once.
	s.Missing = max(0, want.Rows-sum.Rows-s.Strange)
	s.PutBack = sum.Rows >= want.Rows && sum.Sum.Cmp(want.Sum) != 0
	return s, nil
}

// A Standing says how far an archive has come, to be kept beside the master key:
// one that is not as far as it was has been put back as it once was.
type Standing struct {
	Settled int64 `json:"settled"` // when it was restored or counted anew, µs since 1970; 0 for never
	Changes int64 `json:"changes"` // how often rows that give power were written
	// Trail is the last entry of the audit trail, none where its head is lost.
	Trail TrailEnd `json:"trail"`
}

// Before reports whether s is not as far as t.
func (s Standing) Before(t Standing) bool {
	return s.Settled < t.Settled || s.Settled == t.Settled && s.Changes < t.Changes
}

// Standing returns how far the archive has come. The error is ErrUncounted where
// the ledger is gone.
func (a *Archive) Standing(ctx context.Context) (Standing, error) {
	l, found, err := a.readLedger(ctx, a.read)
	if err == nil && !found {
		err = ErrUncounted
	}
	if err != nil {
		return Standing{}, fmt.Errorf("reading how far the archive has come: %w", err)
	}
	end, err := a.trailEnd(ctx, a.read)
	return Standing{l.Settled, l.Changes, end}, err
}

// Restored says of an archive that it was restored from a snapshot on purpose, and
// so is further than the one that was there. The audit trail says so, unless it
// does already. What the snapshot has rows of, and no key any more since it was erased
// and the backup dropped that, goes.
func (a *Archive) Restored(ctx context.Context, snapshot string, noted bool) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		if !noted {
			if err := a.note(ctx, tx, "restored", "snapshot "+snapshot); err != nil {
				return err
			}
		}
		l, found, err := a.readLedger(ctx, tx)
		if err != nil || !found {
			return err // that there is none, Upkeep says
		}
		l.Settled = a.now().UnixMicro()
		return a.writeLedger(ctx, tx, l)
	})
	if err != nil {
		return fmt.Errorf("noting that the archive was restored: %w", spaceError(err))
	}
	return a.leaveOutErased(ctx)
}

// Errors of the ledger that callers test for with errors.Is.
var (
	// ErrUncounted says that the ledger is missing or does not open.
	ErrUncounted = errors.New("the count of rows that give power is gone")
	// ErrRecount says that an archive can't be counted anew.
	ErrRecount = errors.New("this archive can't be counted anew")
)

// Recount takes the rows that are vouched for as all there are: others are
// removed, and what is missing is missed no more. The error is ErrRecount where
// the rules or masks are strange, which a resident has to save anew, and where
// nothing but a backup helps.
func (a *Archive) Recount(ctx context.Context) (removed int64, err error) {
	err = a.update(ctx, func(tx *sql.Tx) error {
		l, found, err := a.readLedger(ctx, tx)
		if err != nil {
			return err
		}
		for _, t := range vouchedTables {
			n, err := a.recountTable(ctx, tx, t, l.of(t.table), found)
			if err != nil {
				return fmt.Errorf("%s: %w", t.table, err)
			}
			removed += n
		}
		l.Changes++
		l.Settled = a.now().UnixMicro()
		if err := a.writeLedger(ctx, tx, l); err != nil {
			return err
		}
		return a.note(ctx, tx, "recounted", "archive")
	})
	if err != nil {
		return 0, fmt.Errorf("counting the rows that give power anew: %w", spaceError(err))
	}
	a.signal()
	return removed, nil
}

// recountTable removes a table's strange rows and sums up the others.
func (a *Archive) recountTable(ctx context.Context, tx *sql.Tx, t vouched, sum *tally, counted bool) (int64, error) {
	s, err := a.suspicionOf(ctx, tx, t, ledger{}, false)
	if err != nil {
		return 0, err
	}
	if s.Strange > 0 && (!counted || t.table == "settings" || t.table == "masks") {
		return 0, ErrRecount
	}
	if s.Strange > 0 {
		_, err := tx.ExecContext(ctx, `DELETE FROM `+t.table+` WHERE NOT `+t.right(""))
		if err != nil {
			return 0, err
		}
	}
	*sum = tally{Sum: new(big.Int)}
	return s.Strange, a.sumUp(ctx, tx, t, sum)
}

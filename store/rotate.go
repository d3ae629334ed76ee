package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"

	"lintel/store/internal/durable"
	"lintel/store/internal/keyfile"
	"lintel/store/seal"
)

// What an archive has under its master key, and how each gets under another:
//
//   - the wrapped keys in the file keys: wrapped anew into a file beside, keys.new;
//   - values that are sealed under the master key itself ([sealedColumns] without
//     [keyedColumns]: names of residents, tablets and bells, settings, with them the
//     house's authority and its key, masks, doors, receivers' keys and more), the mark,
//     the ledger, the trail's head and how far the trail was checked: sealed anew;
//   - vouchers: made anew for the rows that have a right one;
//   - keyed hashes of names, ids of visits, of what was sent and seen before: what was
//     hashed is not known any more, so they stay, and their key is carried on, sealed
//     under the new master key. It opens nothing: whoever has the old master key can
//     try with it whether a name is in the database, and write a list of erasures beside
//     backups. Backups made before and after know each other by it.
//
// What is sealed under a key of its own, stills and most else, is not touched. A search of
// a raw disk ([Archive.SearchDisk]) knows keys that were wrapped with the new one alone.
//
// All of the database changes in one transaction, which is what decides: until it is
// committed the archive is the old key's, from then on the new one's, and says that
// keys.new is to take the place of keys ([Archive.followKeys]). So a kill at any moment
// leaves an archive that opens with one of the two.

const (
	newKeyFile = keyFile + ".new"
	oldKeyFile = keyFile + ".old"
)

// Errors of changing the master key.
var (
	// ErrOpenElsewhere says that another process has the archive open.
	ErrOpenElsewhere = errors.New("another process has the archive open")
	// ErrRotating says that another process is changing the master key.
	ErrRotating = errors.New("the archive's master key is being changed")
)

// share keeps the master key from being changed until the archive is closed.
func (a *Archive) share() (err error) {
	if a.shared, err = os.Open(a.dir); err != nil {
		return fmt.Errorf("opening the archive's folder: %w", err)
	}
	if err := syscall.Flock(int(a.shared.Fd()), syscall.LOCK_SH|syscall.LOCK_NB); err != nil {
		a.shared.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			err = ErrRotating
		}
		return fmt.Errorf("opening the archive in %s: %w", a.dir, err)
	}
	return nil
}

// A RotateStep is one after which a change of the master key may break off.
type RotateStep string

// The steps, in their order.
const (
	RotateBegun     RotateStep = "begun"
	RotateWrapped   RotateStep = "wrapped"   // keys.new is there
	RotateSealed    RotateStep = "sealed"    // the transaction is not committed yet
	RotateCommitted RotateStep = "committed" // the archive is the new key's
	RotateFollowed  RotateStep = "followed"  // and so is the file of keys
)

// RotateSteps are all of them.
var RotateSteps = []RotateStep{RotateBegun, RotateWrapped, RotateSealed, RotateCommitted, RotateFollowed}

// Rotate has the archive take another master key, which is safe somewhere by then. It
// must be locked, and nobody else have it open: the error is ErrOpenElsewhere if so, and
// house.ErrSuspect where rows were written without the master key. Until it returns
// without an error either key may be the archive's; it is the new one if the old one
// is refused. Each step is told, if somebody wants to know.
func (a *Archive) Rotate(ctx context.Context, master seal.Key, told func(RotateStep)) error {
	if told == nil {
		told = func(RotateStep) {}
	}
	to, err := seal.NewSealer(master)
	if err == nil && a.lock == nil {
		err = errors.New("it is not locked")
	}
	if err == nil {
		err = a.exclude()
	}
	if err != nil {
		return fmt.Errorf("changing the master key: %w", err)
	}
	defer syscall.Flock(int(a.shared.Fd()), syscall.LOCK_SH)
	from := a.seals
	to = to.WithIndex(from.IndexKey())
	told(RotateBegun)
	all, uncounted, err := a.Suspicions(ctx, true)
	if err = suspect(all, uncounted, err); err == nil {
		err = a.clearSlots(ctx, true)
	}
	if err == nil {
		err = a.rewrapKeys(from, to)
	}
	if err != nil {
		return fmt.Errorf("changing the master key: %w", spaceError(err))
	}
	told(RotateWrapped)
	err = a.update(ctx, func(tx *sql.Tx) error {
		defer func() { a.booked.sealed = nil }()
		if err := a.sealAnew(ctx, tx, from, to); err != nil {
			return err
		}
		told(RotateSealed)
		return nil
	})
	if err != nil {
		a.seals = from
		err = errors.Join(err, destroyKeys(filepath.Join(a.dir, newKeyFile)))
		return fmt.Errorf("changing the master key: %w", spaceError(err))
	}
	told(RotateCommitted)
	a.keys.Close()
	a.keys = nil
	if err := a.openKeys(context.WithoutCancel(ctx)); err != nil {
		return fmt.Errorf("changing the master key: %w", err)
	}
	told(RotateFollowed)
	return nil
}

// exclude makes sure that nobody else has the archive open.
func (a *Archive) exclude() error {
	if err := syscall.Flock(int(a.shared.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		// The lock that there was may be gone by now, see flock(2).
		return errors.Join(ErrOpenElsewhere, syscall.Flock(int(a.shared.Fd()), syscall.LOCK_SH|syscall.LOCK_NB))
	}
	return nil
}

// rewrapKeys writes the file keys.new. A key that does not open is left out: it opens
// nothing now either.
func (a *Archive) rewrapKeys(from, to *seal.Sealer) error {
	path := filepath.Join(a.dir, newKeyFile)
	err := a.keys.Rewrap(path, func(n keyfile.Number, wrapped []byte) ([]byte, error) {
		key, err := from.Unwrap(wrapped, slotPlace(int64(n))...)
		if err != nil {
			return wrapped, nil
		}
		defer clear(key[:])
		return to.Wrap(key, slotPlace(int64(n))...), nil
	})
	if err != nil {
		return err
	}
	return durable.SyncFolder(a.dir)
}

// sealAnew changes the database from one key to the other, and the archive too.
func (a *Archive) sealAnew(ctx context.Context, tx *sql.Tx, from, to *seal.Sealer) error {
	l, found, err := a.readLedger(ctx, tx)
	if err != nil || !found {
		return errors.Join(err, ErrUncounted)
	}
	if err := a.note(ctx, tx, "rotated", "archive"); err != nil {
		return err
	}
	for _, c := range sealedColumns {
		if a.keyed[c.table+"."+c.column] {
			continue
		}
		if err := reseal(ctx, tx, c.table, c.column, c.id, from, to); err != nil {
			return fmt.Errorf("sealing %s anew: %w", c.table, err)
		}
	}
	for _, s := range []struct{ table, column string }{{"audit_head", "head"}, {"trail_checked", "sealed"}} {
		if err := reseal(ctx, tx, s.table, s.column, "", from, to); err != nil {
			return fmt.Errorf("sealing %s anew: %w", s.table, err)
		}
	}
	a.seals = to // by which triggers and functions vouch from here on
	l = ledger{Changes: l.Changes + 1, Settled: l.Settled}
	for _, t := range vouchedTables {
		if err := a.vouchForTable(ctx, tx, t, l.of(t.table)); err != nil {
			return fmt.Errorf("vouching for %s: %w", t.table, err)
		}
	}
	if err := a.writeLedger(ctx, tx, l); err != nil {
		return err
	}
	index := to.IndexKey()
	defer clear(index[:])
	_, err = tx.ExecContext(ctx, `UPDATE master SET mark = ?, carried = ?, following = 1`,
		to.Value([]byte("lintel"), markPlace...), to.Value(index[:], "master.carried"))
	if err != nil {
		return fmt.Errorf("marking the archive with its new master key: %w", err)
	}
	return nil
}

// reseal seals a column anew, for the place that is named by the column id, or by none.
// What does not open stays as it is, and does not open then either.
func reseal(ctx context.Context, tx *sql.Tx, table, column, id string, from, to *seal.Sealer) error {
	type value struct {
		row    int64
		id     string
		sealed []byte
	}
	of := id
	if of == "" {
		of = "''"
	}
	query := fmt.Sprintf(`SELECT rowid, %s, %s FROM main.%s WHERE rowid > ? AND %[2]s IS NOT NULL ORDER BY rowid LIMIT ?`,
		of, column, table)
	for after := int64(-1 << 62); ; {
		rows, err := tx.QueryContext(ctx, query, after, someRows)
		values, err := scanAll(rows, err, func(v *value) error { return rows.Scan(&v.row, &v.id, &v.sealed) })
		if err != nil || len(values) == 0 {
			return err
		}
		for _, v := range values {
			place := []string{table + "." + column}
			if id != "" {
				place = append(place, v.id)
			}
			plain, err := from.OpenValue(v.sealed, place...)
			if err != nil {
				continue
			}
			if _, err = tx.ExecContext(ctx, fmt.Sprintf(`UPDATE %s SET %s = ? WHERE rowid = ?`, table, column),
				to.Value(plain, place...), v.row); err != nil {
				return err
			}
		}
		after = values[len(values)-1].row
	}
}

// carry has the archive make its keyed hashes under the key that was carried on, where
// the master key is not the first. Where that key is damaged it goes on with another: what
// was hashed before is not found then, such as whether a bell sent a still before.
func (a *Archive) carry(ctx context.Context) error {
	if has, err := a.hasRotation(ctx); err != nil || !has {
		return err
	}
	var carried []byte
	err := a.write.QueryRowContext(ctx, `SELECT carried FROM master`).Scan(&carried)
	if errors.Is(err, sql.ErrNoRows) {
		return nil // its first start broke off
	}
	if err != nil {
		return fmt.Errorf("reading the archive's mark: %w", err)
	}
	if carried == nil {
		return nil
	}
	if key, err := a.open(carried, "master.carried"); err == nil && len(key) == seal.KeySize {
		a.seals = a.seals.WithIndex(seal.Key(key))
	}
	return nil
}

// hasRotation reports whether the database is one whose master key can be changed.
func (a *Archive) hasRotation(ctx context.Context) (has bool, err error) {
	err = a.write.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM pragma_table_info('master')
		WHERE name = 'following')`).Scan(&has)
	if err != nil {
		return false, fmt.Errorf("reading the schema: %w", err)
	}
	return has, nil
}

// followKeys finishes a change of the master key. If it was committed, keys.new takes the
// place of keys, whose slots are overwritten; if not, those of keys.new are.
func (a *Archive) followKeys(ctx context.Context) error {
	has, err := a.hasRotation(ctx)
	if err != nil || !has {
		return err
	}
	var following bool
	err = a.write.QueryRowContext(ctx, `SELECT coalesce(max(following), 0) FROM master`).Scan(&following)
	if err != nil {
		return err
	}
	now, next, old := filepath.Join(a.dir, keyFile), filepath.Join(a.dir, newKeyFile), filepath.Join(a.dir, oldKeyFile)
	if !following {
		return destroyKeys(next)
	}
	if exists(next) {
		if exists(now) {
			err = os.Rename(now, old)
		}
		if err == nil {
			err = os.Rename(next, now)
		}
		if err = errors.Join(err, durable.SyncFolder(a.dir)); err != nil {
			return err
		}
	}
	if err := destroyKeys(old); err != nil {
		return err
	}
	_, err = a.write.ExecContext(ctx, `UPDATE master SET following = 0`)
	return err
}

// destroyKeys overwrites and removes a file of keys that nobody needs.
func destroyKeys(path string) error {
	err := keyfile.Destroy(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return errors.Join(err, durable.SyncFolder(filepath.Dir(path)))
}

// TryKey reports whether a master key is that of the archive in dir, which it leaves as
// it is: the error is ErrWrongKey if not.
func TryKey(ctx context.Context, dir string, master seal.Key) error {
	seals, err := seal.NewSealer(master)
	if err != nil {
		return err
	}
	a := &Archive{dir: dir, seals: seals}
	if err := a.tryKey(ctx, "ro"); err != nil {
		return fmt.Errorf("trying a master key: %w", damage(err))
	}
	return nil
}

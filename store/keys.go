package store

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strconv"

	"lintel/store/internal/keyfile"
	"lintel/store/seal"
)

// A still's file has a data key of its own, and so has what is sealed in each row that
// tells of a visit or a person ([keyedTables]). It is wrapped with the master key, and kept
// in a slot of the file keys (package keyfile), never in the database, whose log leaves
// copies in blocks that the file system takes back without a word. The row names the
// slot by its number; a value that is sealed with the key begins with it too, so that
// whoever reads the value needs nothing else.
//
// Slots are written only within a transaction that writes, so by one at a time of all
// processes:
//
//   - [Archive.putKey] takes a slot and writes it, and the transaction commits only
//     after that is synced. If it does not commit, the slot is one of the first that
//     are free, so that the next key overwrites it, or the next start
//     ([Archive.holdUnnamed]).
//   - Triggers write down the slots of rows that go or get another. As soon as that is
//     committed [Archive.clearSlots] overwrites them, syncs and, only then, commits
//     that they are free. What breaks off between the two, the next start finishes.
//
// So whoever has the master key and the raw disk opens nothing of what went, as far
// as the disk writes a block where it was. Where it does not, the key stays as well:
// flash keeps old blocks until it needs the room, file systems that copy on write
// (btrfs, ZFS, bcachefs, F2FS) and their snapshots keep what was, and so does a
// journal that takes data too (ext4's data=journal).

// keyFile is the name of the file of keys, in the archive's folder.
const keyFile = "keys"

// slotsScript is the migration by which keys left the database.
const slotsScript = "migrations/0025_slots.sql"

// namesScript is the one by which names of the household got keys of their own.
const namesScript = "migrations/0028_names.sql"

// openKeys opens the file of keys. One that is missing, or too short for the slots
// that there are, was lost.
func (a *Archive) openKeys(ctx context.Context) error {
	if !a.slotted || a.keys != nil {
		return nil
	}
	var slots int64
	err := a.write.QueryRowContext(ctx, `SELECT value FROM counters WHERE name = 'slots'`).Scan(&slots)
	if err != nil {
		return fmt.Errorf("counting the keys: %w", err)
	}
	if err := a.followKeys(ctx); err != nil {
		return fmt.Errorf("finishing the change of the master key: %w", spaceError(err))
	}
	path := filepath.Join(a.dir, keyFile)
	if slots > 0 && !exists(path) {
		return fmt.Errorf("%w (the file %s is missing, and with it the keys of all stills)", ErrDamaged, keyFile)
	}
	if a.keys, err = keyfile.Open(path); err != nil {
		return err
	}
	if there, err := a.keys.Slots(); err != nil || there < slots {
		return errors.Join(err, fmt.Errorf("%w (the file %s is cut)", ErrDamaged, keyFile))
	}
	return nil
}

// A keyedTable is one whose rows have keys of their own.
type keyedTable struct {
	table, id string
	columns   []string
	script    string
}

// keyedTables are those whose rows have a key of their own for what is sealed in them,
// beside stills, whose key is for their file; id is the column that names a row. A row
// of another table that is to go without a trace belongs here, with a column slot and
// a trigger as in slotsScript; else it is sealed under the master key, and nothing
// promises that it can't be read once it went. Script is the migration that brought the
// column.
var keyedTables = []keyedTable{
	{"faces", "id", words("sealed"), slotsScript},
	{"gallery", "id", words("descriptor"), slotsScript},
	{"portraits", "reference", words("picture"), slotsScript},
	{"persons", "id", words("name"), slotsScript},
	{"consents", "id", words("given_by scope"), slotsScript},
	{"visits", "id", words("ring"), slotsScript},
	{"holds", "visit", words("reason"), slotsScript},
	{"messages", "id", words("sealed"), slotsScript},
	{"advice", "id", words("sealed"), slotsScript},
	{"trial_rings", "id", words("sealed"), slotsScript},
	{"door_rules", "id", words("sealed"), slotsScript},
	{"sources", "id", words("name state key"), slotsScript},
	{"reports", "id", words("sealed"), slotsScript},
	{"tokens", "id", words("label"), slotsScript},
	{"onetime", "person", words("secret"), slotsScript},
	{"residents", "id", words("name"), namesScript},
	{"tablets", "id", words("name"), namesScript},
	{"sessions", "id", words("browser"), namesScript},
}

// findKeyed finds out which places, "table.column", have keys of their own in a database
// that has seen so many of the migrations.
func (a *Archive) findKeyed(names []string, version int) {
	a.slotted = version > slices.Index(names, slotsScript)
	a.keyed = make(map[string]bool)
	for _, t := range keyedTables {
		for _, c := range t.columns {
			a.keyed[t.table+"."+c] = version > slices.Index(names, t.script)
		}
	}
}

// takenSlots finds the slots that rows name.
func (a *Archive) takenSlots() string {
	query := `SELECT slot FROM main.stills WHERE slot IS NOT NULL`
	for _, t := range keyedTables {
		if a.keyed[t.table+"."+t.columns[0]] {
			query += ` UNION ALL SELECT slot FROM main.` + t.table + ` WHERE slot IS NOT NULL`
		}
	}
	return query
}

// eraseRows removes rows by somebody's will.
func eraseRows(ctx context.Context, tx *sql.Tx, table, where string, args ...any) error {
	for _, t := range keyedTables {
		if t.table == table {
			if err := eraseSlots(ctx, tx, table, where, args...); err != nil {
				return err
			}
		}
	}
	_, err := tx.ExecContext(ctx, `DELETE FROM `+table+` WHERE `+where, args...)
	return err
}

// eraseSlots remembers the slots of rows that somebody erases, for backups.
func eraseSlots(ctx context.Context, tx *sql.Tx, table, where string, args ...any) error {
	_, err := tx.ExecContext(ctx, `INSERT OR IGNORE INTO erased_slots (slot) SELECT slot FROM `+table+
		` WHERE slot IS NOT NULL AND `+where, args...)
	if err != nil {
		return fmt.Errorf("remembering erased keys: %w", err)
	}
	return nil
}

// slotPlace is what the key in a slot is wrapped for.
func slotPlace(slot int64) []string { return []string{"slot", strconv.FormatInt(slot, 10)} }

// putKey keeps a data key, for a row that the same transaction writes, and returns
// the number of its slot.
func (a *Archive) putKey(ctx context.Context, tx *sql.Tx, key seal.Key) (slot int64, err error) {
	var position int64
	err = tx.QueryRowContext(ctx, `DELETE FROM free_slots WHERE position = (SELECT min(position) FROM free_slots)
		RETURNING position`).Scan(&position)
	if errors.Is(err, sql.ErrNoRows) {
		err = tx.QueryRowContext(ctx,
			`UPDATE counters SET value = value + 1 WHERE name = 'slots' RETURNING value - 1`).Scan(&position)
	}
	if err != nil {
		return 0, fmt.Errorf("finding a place for a key: %w", err)
	}
	n := keyfile.NewNumber(position)
	a.keysUnsynced = true
	return int64(n), a.keys.Put(n, a.seals.Wrap(key, slotPlace(int64(n))...))
}

// keyIn returns the key that is in a slot. The error is seal.ErrOpen if it is gone.
func (a *Archive) keyIn(slot int64) (seal.Key, error) {
	wrapped, err := a.keys.Get(keyfile.Number(slot))
	if errors.Is(err, keyfile.ErrGone) {
		return seal.Key{}, fmt.Errorf("%w (%w)", seal.ErrOpen, err)
	}
	if err != nil {
		return seal.Key{}, err
	}
	return a.seals.Unwrap(wrapped, slotPlace(slot)...)
}

// A value that is sealed under a key of its own begins with the number of its slot,
// big-endian.
const slotPrefix = 8

// sealKeyed seals a value under a new key, and returns the number of its slot.
func (a *Archive) sealKeyed(ctx context.Context, tx *sql.Tx, value []byte, place ...string) (sealed []byte, slot int64,
	err error) {
	key := seal.NewKey()
	defer clear(key[:])
	if slot, err = a.putKey(ctx, tx, key); err != nil {
		return nil, 0, err
	}
	sealed, err = key.Seal(value, place...)
	return append(binary.BigEndian.AppendUint64(nil, uint64(slot)), sealed...), slot, err
}

// sealAgain seals a value under the key that another was sealed with, of which it
// tells nothing more than that did.
func (a *Archive) sealAgain(before, value []byte, place ...string) (sealed []byte, err error) {
	key, err := a.keyOfValue(before)
	if err != nil {
		return nil, err
	}
	defer clear(key[:])
	sealed, err = key.Seal(value, place...)
	return append(before[:slotPrefix:slotPrefix], sealed...), err
}

// open opens a value for its place, the table and column and the row's id, under the
// key of the row or, where rows have none, under the master key.
func (a *Archive) open(sealed []byte, place ...string) ([]byte, error) {
	open := a.seals.OpenValue
	if a.keyed[place[0]] {
		open = a.openKeyed
	}
	value, err := open(sealed, place...)
	if errors.Is(err, seal.ErrOpen) {
		a.damages.meet(place, a.now())
	}
	return value, err
}

func (a *Archive) openKeyed(sealed []byte, place ...string) ([]byte, error) {
	key, err := a.keyOfValue(sealed)
	if err != nil {
		return nil, err
	}
	defer clear(key[:])
	return key.Open(sealed[slotPrefix:], place...)
}

func (a *Archive) keyOfValue(sealed []byte) (seal.Key, error) {
	if len(sealed) < slotPrefix || a.keys == nil {
		return seal.Key{}, seal.ErrOpen
	}
	return a.keyIn(int64(binary.BigEndian.Uint64(sealed)))
}

// syncKeys makes the keys durable that a transaction wrote, before it commits.
func (a *Archive) syncKeys() error {
	if !a.keysUnsynced {
		return nil
	}
	a.keysUnsynced = false
	return a.keys.Sync()
}

// slotsAtOnce is how many slots one transaction overwrites.
const slotsAtOnce = 1000

// clearSlots overwrites the slots of what went. While a backup copies the keys it
// waits or, if it may not, leaves that to whoever comes next.
func (a *Archive) clearSlots(ctx context.Context, wait bool) error {
	if !a.slotted {
		return nil
	}
	if due, err := freedSlots(ctx, a.read); err != nil || due == 0 {
		return err
	}
	release, err := a.keys.Exclude(wait)
	if err != nil {
		return err
	}
	defer release()
	for left := 1; left > 0; {
		_, err := a.transact(context.WithoutCancel(ctx), func(tx *sql.Tx) (err error) {
			left, err = a.clearSome(ctx, tx)
			return err
		})
		if err != nil {
			return fmt.Errorf("overwriting keys: %w", spaceError(err))
		}
	}
	return nil
}

func freedSlots(ctx context.Context, q querier) (n int, err error) {
	if err := q.QueryRowContext(ctx, `SELECT count(*) FROM freed_slots`).Scan(&n); err != nil {
		return 0, fmt.Errorf("counting the keys of what went: %w", err)
	}
	return n, nil
}

// clearSome overwrites some slots and says that they are free, and returns how many.
func (a *Archive) clearSome(ctx context.Context, tx *sql.Tx) (int, error) {
	rows, err := tx.QueryContext(ctx, `SELECT slot FROM freed_slots LIMIT ?`, slotsAtOnce)
	slots, err := scanAll(rows, err, func(n *keyfile.Number) error { return rows.Scan(n) })
	if err != nil {
		return 0, err
	}
	for _, n := range slots {
		if err := a.clearSlot(ctx, tx, n); err != nil {
			return 0, err
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM freed_slots WHERE slot = ?`, n); err != nil {
			return 0, err
		}
	}
	a.keysUnsynced = len(slots) > 0
	return len(slots), nil
}

// clearSlot overwrites the slot that a row named. If the key of another is there, since
// somebody changed the number, it stays.
func (a *Archive) clearSlot(ctx context.Context, tx *sql.Tx, n keyfile.Number) error {
	_, err := a.keys.Get(n)
	if err == nil {
		err = a.keys.Clear(n.Position())
	} else if errors.Is(err, keyfile.ErrGone) {
		var free bool
		if free, err = a.keys.IsFree(n.Position()); err == nil && !free {
			return nil
		}
	}
	if err == nil {
		_, err = tx.ExecContext(ctx, `INSERT OR IGNORE INTO free_slots (position)
			SELECT ?1 WHERE ?1 < (SELECT value FROM counters WHERE name = 'slots')`, n.Position())
	}
	return err
}

// mostUnnamed is more slots than any transaction takes.
const mostUnnamed = 8192

// holdUnnamed keeps slots from being taken that hold a key and count as free: they are
// among those that are taken first. A transaction that did not commit left them, or the
// log that had it was lost, and then their stills are kept aside.
func (a *Archive) holdUnnamed(ctx context.Context) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		rows, err := tx.QueryContext(ctx, `SELECT position FROM free_slots ORDER BY position LIMIT ?`, mostUnnamed)
		first, err := scanAll(rows, err, func(p *int64) error { return rows.Scan(p) })
		if err != nil {
			return err
		}
		var end int64
		if err := tx.QueryRowContext(ctx, `SELECT value FROM counters WHERE name = 'slots'`).Scan(&end); err != nil {
			return err
		}
		there, err := a.keys.Slots()
		if err != nil {
			return err
		}
		for position := end; position < min(there, end+mostUnnamed); position++ {
			first = append(first, position)
		}
		for _, position := range first {
			n, free, err := a.keys.At(position)
			if err == nil && !free {
				err = holdSlot(ctx, tx, n)
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("keeping keys that no row names: %w", err)
	}
	return nil
}

// holdSlot keeps a slot from being taken. Those before it that nobody had are free.
func holdSlot(ctx context.Context, tx *sql.Tx, n keyfile.Number) error {
	for _, statement := range []string{
		`WITH RECURSIVE skipped (position) AS (SELECT value FROM counters WHERE name = 'slots'
				UNION ALL SELECT position + 1 FROM skipped WHERE position < ?2)
			INSERT INTO free_slots (position) SELECT position FROM skipped WHERE position < ?2`,
		`UPDATE counters SET value = max(value, ?2 + 1) WHERE name = 'slots'`,
		`DELETE FROM free_slots WHERE position = ?2`,
		`INSERT OR IGNORE INTO held_slots (slot) VALUES (?1)`,
	} {
		if _, err := tx.ExecContext(ctx, statement, n, n.Position()); err != nil {
			return err
		}
	}
	return nil
}

// clearHeld overwrites the slots that are held, once nothing is kept aside.
func (a *Archive) clearHeld(ctx context.Context) error {
	aside, err := a.Aside()
	if err != nil || aside.Files > 0 || !a.slotted {
		return err
	}
	return a.update(ctx, func(tx *sql.Tx) error {
		for _, statement := range []string{`INSERT OR IGNORE INTO freed_slots (slot) SELECT slot FROM held_slots`,
			`DELETE FROM held_slots`} {
			if _, err := tx.ExecContext(ctx, statement); err != nil {
				return fmt.Errorf("letting keys go that no row names: %w", err)
			}
		}
		return nil
	})
}

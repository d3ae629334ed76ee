package store

import (
	"bufio"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"time"

	"golang.org/x/sys/unix"
	"modernc.org/sqlite"

	"lintel/store/internal/durable"
	"lintel/store/internal/keyfile"
	"lintel/store/seal"
)

// A Snapshot is a copy of an archive's database as it was at one moment,
// without the stills' files. With [Archive.ReadSealed], [Archive.Erasures] and
// [Archive.RespectErasures] it is all that package backup needs of an archive.
type Snapshot struct {
	copy   *Archive
	memory *os.File // of the keys; nil where they are in a file
}

// Snapshot copies the database into the folder dir, page by page, and the keys that
// its rows name into memory, where the name keys in dir leads: on this disk a copy of
// them would outlive what is erased. It is to be closed. What is erased meanwhile waits
// until both are copied.
func (a *Archive) Snapshot(ctx context.Context, dir string) (*Snapshot, error) {
	release, err := a.keys.Share()
	if err != nil {
		return nil, fmt.Errorf("copying the database: %w", err)
	}
	defer release()
	if err := a.copyPages(ctx, dir); err != nil {
		return nil, fmt.Errorf("copying the database: %w", damage(err))
	}
	memory, err := inMemory(filepath.Join(dir, keyFile))
	if err == nil {
		err = a.copyKeys(ctx, dir)
	}
	if errors.Is(damage(err), ErrDamaged) {
		err = a.copyAllKeys(filepath.Join(dir, keyFile)) // which rows have one can't be told
	}
	if err != nil {
		return nil, fmt.Errorf("copying the keys: %w", err)
	}
	c, err := a.another(ctx, dir)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("opening the database's copy: %w", damage(err)), memory.Close())
	}
	return &Snapshot{c, memory}, nil
}

// inMemory makes a file that is on no disk, and goes when it is closed, with a name by
// which this process opens it.
func inMemory(name string) (*os.File, error) {
	fd, err := unix.MemfdCreate("lintel-keys", unix.MFD_CLOEXEC)
	if err != nil {
		return nil, err
	}
	f := os.NewFile(uintptr(fd), name)
	if err := os.Symlink(fmt.Sprintf("/proc/self/fd/%d", fd), name); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

// copyPages copies the database as it is, even where it is damaged, with SQLite's online
// backup (https://www.sqlite.org/backup.html): a page that did not change is the same in
// the next copy, and at the same place.
func (a *Archive) copyPages(ctx context.Context, dir string) error {
	path := filepath.Join(dir, "archive.db")
	if err := privateFile(path); err != nil { // SQLite takes an empty file
		return err
	}
	from, err := a.pool("rw", "deferred") // without guards: rows are copied as they are
	if err != nil {
		return err
	}
	defer from.Close()
	to := url.URL{Scheme: "file", Path: path, RawQuery: "_pragma=synchronous(OFF)&_pragma=journal_mode(OFF)"}
	conn, err := from.Conn(ctx)
	if err != nil {
		return err
	}
	defer conn.Close()
	err = conn.Raw(func(c any) error {
		b, err := c.(interface {
			NewBackup(to string) (*sqlite.Backup, error)
		}).NewBackup(to.String())
		if err != nil {
			return err
		}
		_, err = b.Step(-1) // all in one transaction that reads
		return errors.Join(err, b.Finish())
	})
	if err != nil {
		return err
	}
	return withoutLog(path)
}

// withoutLog has a database opened without a write-ahead log: bytes 18 and 19 of its
// header say so (https://www.sqlite.org/fileformat2.html).
func withoutLog(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	_, err = f.WriteAt([]byte{1, 1}, 18)
	return errors.Join(err, f.Close())
}

// copyKeys copies the keys that rows of the database in dir name into that folder.
func (a *Archive) copyKeys(ctx context.Context, dir string) error {
	db, err := openPool(dir, "ro", "deferred")
	if err != nil {
		return err
	}
	defer db.Close()
	var slots int64
	if err := db.QueryRowContext(ctx, `SELECT value FROM counters WHERE name = 'slots'`).Scan(&slots); err != nil {
		return err
	}
	rows, err := db.QueryContext(ctx, a.takenSlots())
	if err != nil {
		return err
	}
	defer rows.Close()
	err = a.keys.Copy(filepath.Join(dir, keyFile), slots, func() (n keyfile.Number, more bool, err error) {
		if !rows.Next() {
			return 0, false, rows.Err()
		}
		return n, true, rows.Scan(&n)
	})
	if err != nil {
		return err
	}
	return durable.SyncFolder(dir)
}

// copyAllKeys copies the keys that there are, whoever has them.
func (a *Archive) copyAllKeys(path string) error {
	slots, err := a.keys.Slots()
	if err != nil {
		return err
	}
	position := int64(-1)
	return a.keys.Copy(path, slots, func() (n keyfile.Number, more bool, err error) {
		for position++; position < slots; position++ {
			if n, free, err := a.keys.At(position); err != nil || !free {
				return n, true, err
			}
		}
		return 0, false, nil
	})
}

// OpenSnapshot opens a database that [Archive.Snapshot] copied into the folder
// dir, and leaves it as it is. The errors are ErrWrongKey, ErrDamaged,
// ErrForeignDatabase and ErrNewerArchive.
func OpenSnapshot(ctx context.Context, dir string, master seal.Key) (*Snapshot, error) {
	seals, err := seal.NewSealer(master)
	if err != nil {
		return nil, err
	}
	a := &Archive{dir: dir, now: time.Now, seals: seals}
	if err := a.tryKey(ctx, "rw"); err != nil {
		return nil, err
	}
	c, err := a.another(ctx, dir)
	if err != nil {
		return nil, err
	}
	return &Snapshot{c, nil}, nil
}

// another opens the archive in dir with this one's keys and clock. Its database
// is taken as it is, and not turned to a write-ahead log.
func (a *Archive) another(ctx context.Context, dir string) (*Archive, error) {
	b := &Archive{dir: dir, now: a.now, seals: a.seals, watchers: make(map[chan struct{}]bool),
		folders: make(map[string]bool)}
	if err := b.openPools(); err != nil {
		return nil, err
	}
	if _, _, err := b.guard(ctx); err != nil {
		return nil, errors.Join(err, b.Close())
	}
	if err := b.carry(ctx); err != nil {
		return nil, errors.Join(err, b.Close())
	}
	return b, nil
}

// Close closes the database's copy.
func (s *Snapshot) Close() error {
	err := s.copy.Close()
	if s.memory != nil {
		err = errors.Join(err, s.memory.Close())
	}
	if err != nil {
		return fmt.Errorf("closing the database's copy: %w", err)
	}
	return nil
}

// Household returns the random id of the archive, "" if it has none yet.
func (s *Snapshot) Household(ctx context.Context) (id string, err error) {
	_, err = s.copy.setting(ctx, s.copy.read, "household", &id)
	return id, err
}

// CountStills returns how many stills have a file.
func (s *Snapshot) CountStills(ctx context.Context) (n int, err error) {
	err = s.copy.read.QueryRowContext(ctx, `SELECT count(*) FROM stills WHERE file IS NOT NULL`).Scan(&n)
	if err != nil {
		return 0, fmt.Errorf("counting stills: %w", damage(err))
	}
	return n, nil
}

// A SealedFile is what a still's row says of its file.
type SealedFile struct {
	Visit  string
	Frame  int
	File   string // its name, [Archive.ReadSealed] reads it
	Size   int64  // in bytes
	SHA256 []byte // of the file, sealed as it is

	slot int64 // of its key
}

// SealedFiles calls f with each still that has a file, in the order of the
// files' names, until f fails.
func (s *Snapshot) SealedFiles(ctx context.Context, f func(SealedFile) error) error {
	slot := `coalesce(slot, 0)`
	if !s.copy.slotted {
		slot = `0`
	}
	rows, err := s.copy.read.QueryContext(ctx,
		`SELECT visit, frame, file, size, sha256, `+slot+` FROM stills WHERE file IS NOT NULL ORDER BY file`)
	if err != nil {
		return fmt.Errorf("listing stills: %w", damage(err))
	}
	defer rows.Close()
	for rows.Next() {
		var x SealedFile
		if err := rows.Scan(&x.Visit, &x.Frame, &x.File, &x.Size, &x.SHA256, &x.slot); err != nil {
			return fmt.Errorf("listing stills: %w", damage(err))
		}
		if err := f(x); err != nil {
			return err
		}
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("listing stills: %w", damage(err))
	}
	return nil
}

// HasKey reports whether the key of a still's file is there, where it can be missing.
func (s *Snapshot) HasKey(f SealedFile) bool {
	if !s.copy.slotted {
		return true
	}
	_, err := s.copy.keyIn(f.slot)
	return err == nil
}

// ErasedSlots lists the slots whose keys no copy of the archive is to have any more,
// since somebody erased what they open.
func (a *Archive) ErasedSlots(ctx context.Context) (all []keyfile.Number, err error) {
	rows, err := a.read.QueryContext(ctx, `SELECT slot FROM erased_slots`)
	all, err = scanAll(rows, err, func(n *keyfile.Number) error { return rows.Scan(n) })
	if err != nil {
		return nil, fmt.Errorf("listing erased keys: %w", err)
	}
	return all, nil
}

// StillHas returns those of the erasures that the copy does not know of, and
// whose visit, person or still it has.
func (s *Snapshot) StillHas(ctx context.Context, erasures []Erasure) (since []Erasure, err error) {
	for _, e := range erasures {
		known, err := isErased(ctx, s.copy.read, e.What, e.ID)
		if err != nil {
			return nil, err
		}
		if known {
			continue
		}
		var there bool
		err = s.copy.read.QueryRowContext(ctx, `
			SELECT EXISTS (SELECT 1 FROM visits WHERE id = ?1) OR EXISTS (SELECT 1 FROM persons WHERE id = ?1)
				OR EXISTS (SELECT 1 FROM stills WHERE file = ?1)`, e.ID).Scan(&there)
		if err != nil {
			return nil, fmt.Errorf("looking up erasures: %w", err)
		}
		if there {
			since = append(since, e)
		}
	}
	return since, nil
}

// TakeOut removes from the copy, without a trace, visits that the archive let
// go since and all that it erased.
func (s *Snapshot) TakeOut(ctx context.Context, gone []string, erased []Erasure) error {
	_, err := s.copy.RespectErasures(ctx, erased)
	for chunk := range slices.Chunk(gone, batch) {
		err = errors.Join(err, s.copy.update(ctx, func(tx *sql.Tx) error {
			there, err := existing(ctx, tx, "visits", "id", chunk)
			if err != nil {
				return err
			}
			return s.copy.removeVisits(ctx, tx, there)
		}))
	}
	if err = errors.Join(err, s.copy.finishRemovals(ctx)); err != nil {
		return fmt.Errorf("taking out of the copy what is gone: %w", err)
	}
	return nil
}

// State returns a hash of all rows but those that a backup itself writes, and
// of what is backed up beside: equal states need no second backup. It is keyed,
// so that it tells nothing to whoever lacks the master key.
func (s *Snapshot) State(ctx context.Context, beside string) (string, error) {
	hash := sha256.New()
	io.WriteString(hash, beside)
	if err := hashDatabase(ctx, s.copy.read, hash); err != nil {
		return "", fmt.Errorf("comparing the database with the last backup: %w", damage(err))
	}
	return hex.EncodeToString(s.copy.seals.Index("backup state " + string(hash.Sum(nil)))), nil
}

// hashDatabase writes all rows of all tables, one a line, to w.
func hashDatabase(ctx context.Context, db *sql.DB, w io.Writer) error {
	rows, err := db.QueryContext(ctx, `
		SELECT s.sql, 'SELECT ' || (SELECT group_concat('quote("' || name || '")', ' || '','' || ')
			FROM pragma_table_info(s.name)) || ' FROM main."' || s.name || '"'
			|| CASE s.name
				WHEN 'settings' THEN ' WHERE name NOT IN ('''||?1||''', '''||?3||''')'
				WHEN 'audit' THEN ' WHERE action <> '''||?2||''''
				WHEN 'audit_head' THEN ' WHERE false' -- it follows from audit
				WHEN 'trail_checked' THEN ' WHERE false' -- so does it
				WHEN 'clock' THEN ' WHERE false' -- it goes on while nothing happens
				WHEN 'ledger' THEN ' WHERE false' -- it follows from all others
				WHEN 'freed_slots' THEN ' WHERE false' -- they follow from which slots rows name
				WHEN 'free_slots' THEN ' WHERE false'
				WHEN 'counters' THEN ' WHERE name <> ''uncleaned''' -- a copy is clean
				ELSE '' END
		FROM sqlite_schema s WHERE s.type = 'table' ORDER BY s.name`, backupSetting, backedUp, backupState)
	type table struct{ schema, query string }
	tables, err := scanAll(rows, err, func(t *table) error { return rows.Scan(&t.schema, &t.query) })
	if err != nil {
		return err
	}
	buffered := bufio.NewWriter(w)
	for _, t := range tables {
		fmt.Fprintln(buffered, t.schema)
		if err := writeRows(ctx, db, t.query, buffered); err != nil {
			return err
		}
	}
	return buffered.Flush()
}

func writeRows(ctx context.Context, db *sql.DB, query string, w *bufio.Writer) error {
	rows, err := db.QueryContext(ctx, query)
	if err != nil {
		return err
	}
	defer rows.Close()
	var row sql.RawBytes
	for rows.Next() {
		if err := rows.Scan(&row); err != nil {
			return err
		}
		w.Write(row)
		w.WriteByte('\n')
	}
	return rows.Err()
}

// Dir returns the archive's folder.
func (a *Archive) Dir() string { return a.dir }

// Now returns the time by the archive's clock.
func (a *Archive) Now() time.Time { return a.now() }

// ReadSealed reads a still's file as it is, sealed.
func (a *Archive) ReadSealed(file string) ([]byte, error) { return a.openStill(file) }

// NamesFile reports whether a row names a still's file.
func (a *Archive) NamesFile(ctx context.Context, file string) (bool, error) {
	return a.isNamed(ctx, file)
}

// A Backup is the last one that succeeded.
type Backup struct {
	At       time.Time `json:"at"`
	Snapshot string    `json:"snapshot"`
	Stills   int       `json:"stills"`
	Copied   int       `json:"copied"`
	Lost     int       `json:"lost"`
}

// LastBackup returns the last backup of the archive that succeeded, to any
// folder, and whether there was one. One that found nothing changed counts.
func (a *Archive) LastBackup(ctx context.Context) (b Backup, found bool, err error) {
	found, err = a.settingOrNone(ctx, a.read, backupSetting, &b)
	return b, found, err
}

const (
	backupSetting = "backup"    // of the settings
	backedUp      = "backed-up" // in the audit trail
)

// BackedUp remembers a backup that succeeded, in the audit trail if it is a new
// one.
func (a *Archive) BackedUp(ctx context.Context, last Backup, isNew bool) error {
	if a.ReadOnly() {
		return nil // the folder of backups has it all the same
	}
	err := a.update(ctx, func(tx *sql.Tx) error {
		if err := a.set(ctx, tx, backupSetting, last); err != nil || !isNew {
			return err
		}
		return a.note(ctx, tx, backedUp, "snapshot "+last.Snapshot)
	})
	return spaceError(err)
}

package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"lintel/store/internal/durable"
)

// Before a database is migrated it is copied, beside itself and by its schema:
// before-34.db. All migrations are one transaction, so where one fails the database is
// what it was, an older Lintel opens it, and the copy goes. What comes after, such as
// moving keys into their slots, is done in batches, and goes on at the next start where
// it broke off: until then the copy stays. The file of keys is not copied, since
// keys of what is erased must go; so neither does the copy outlive the migration, nor
// does it hold what can be opened once its slot was overwritten. A schema of before slots
// has wrapped keys in its rows, for which the copy is overwritten before it goes.

// ErrMigration says that an archive could not be brought up to date.
var ErrMigration = errors.New("the archive could not be brought up to date")

// A MigrationError says what is left. It is an [ErrMigration].
type MigrationError struct {
	Copy string // of the database before, "" if that is as it was
	Err  error
}

func (e MigrationError) Error() string {
	if e.Copy == "" {
		return fmt.Sprintf("%v: %v; it is as it was", ErrMigration, e.Err)
	}
	return fmt.Sprintf("%v: %v; the database as it was before is in %s", ErrMigration, e.Err, e.Copy)
}

// Is makes it an [ErrMigration].
func (MigrationError) Is(target error) bool { return target == ErrMigration }

func (e MigrationError) Unwrap() error { return e.Err }

// copyPattern is what copies of before migrations are called.
const copyPattern = "before-*.db*"

// copyBefore copies the database of a schema that is about to be migrated.
func (a *Archive) copyBefore(ctx context.Context, version int) error {
	// A pool of its own, since rows are copied as they are, and since connections of
	// a.read keep the guards that they opened with: those of this schema are not yet right.
	db, err := openPool(a.dir, "rw", "deferred")
	if err != nil {
		return err
	}
	defer db.Close()
	var size int
	err = db.QueryRowContext(ctx,
		`SELECT page_count * page_size FROM pragma_page_count, pragma_page_size`).Scan(&size)
	if err == nil {
		err = a.checkDiskSpace(size)
	}
	if err == nil {
		err = a.dropBefore() // one that a crash left half written
	}
	if err != nil {
		return err
	}
	path := filepath.Join(a.dir, fmt.Sprintf("before-%d.db", version))
	if err := privateFile(path + ".part"); err != nil {
		return err
	}
	if _, err := db.ExecContext(ctx, `VACUUM INTO ?`, path+".part"); err != nil {
		return err
	}
	return errors.Join(syncFile(path+".part"), os.Rename(path+".part", path), durable.SyncFolder(a.dir))
}

func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// copiesBefore lists the copies that are there.
func (a *Archive) copiesBefore() ([]string, error) {
	entries, err := os.ReadDir(a.dir)
	var paths []string
	for _, e := range entries {
		if is, _ := filepath.Match(copyPattern, e.Name()); is {
			paths = append(paths, filepath.Join(a.dir, e.Name()))
		}
	}
	return paths, err
}

// dropBefore overwrites the copies that are there, and removes them.
func (a *Archive) dropBefore() error {
	paths, err := a.copiesBefore()
	for _, path := range paths {
		err = errors.Join(err, overwrite(path), os.Remove(path))
	}
	if err != nil {
		return fmt.Errorf("removing the copy of before a migration: %w", err)
	}
	if len(paths) == 0 {
		return nil
	}
	return durable.SyncFolder(a.dir)
}

// zeros reads as zeros without an end.
type zeros struct{}

func (zeros) Read(b []byte) (int, error) {
	clear(b)
	return len(b), nil
}

func overwrite(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	info, err := f.Stat()
	if err == nil {
		_, err = io.CopyN(f, zeros{}, info.Size())
	}
	return errors.Join(err, f.Sync(), f.Close())
}

// leaves says of an error what a migration that failed leaves.
func (a *Archive) leaves(err error) error {
	paths, listErr := a.copiesBefore()
	if err == nil || len(paths) == 0 {
		return errors.Join(err, listErr)
	}
	return MigrationError{Copy: strings.Join(paths, ", "), Err: err}
}

// runScripts runs the migrations that a database of this schema has not seen, all of
// them or none.
func (a *Archive) runScripts(ctx context.Context, names []string, version int) error {
	if version == len(names) {
		return nil
	}
	if version > 0 {
		if err := a.copyBefore(ctx, version); err != nil {
			err = fmt.Errorf("copying the database: %w", spaceError(damage(err)))
			return MigrationError{Err: errors.Join(err, a.dropBefore())}
		}
	}
	err := a.update(ctx, func(tx *sql.Tx) error {
		// Asked again, since another process may have been quicker.
		version, err := schemaVersion(ctx, tx, len(names))
		for ; version < len(names) && err == nil; version++ {
			if err = a.runScript(ctx, tx, names[version], version+1); err != nil {
				err = fmt.Errorf("migrating to schema %d: %w", version+1, err)
			}
		}
		return err
	})
	if err != nil {
		return MigrationError{Err: errors.Join(spaceError(err), a.dropBefore())}
	}
	return nil
}

// runScript runs one migration.
func (a *Archive) runScript(ctx context.Context, tx *sql.Tx, name string, version int) error {
	script, err := migrations.ReadFile(name)
	if err != nil {
		return fmt.Errorf("reading %s: %w", name, err)
	}
	_, err = tx.ExecContext(ctx, fmt.Sprintf("%s;\nPRAGMA application_id = %d;\nPRAGMA user_version = %d;",
		script, applicationID, version))
	if err == nil && version == trailSince {
		err = a.setAuditHead(ctx, tx, 0, [32]byte{})
	}
	if err == nil && version == wordsSince {
		err = a.dropSentences(ctx, tx)
	}
	if err == nil && name == vouchingScript {
		err = a.beginVouching(ctx, tx)
	}
	return err
}

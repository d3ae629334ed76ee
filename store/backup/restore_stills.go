package backup

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"lintel/store"
	"lintel/store/internal/durable"
)

// restoreStills restores the files of the stills that the database names.
func (r *restore) restoreStills(ctx context.Context, database *store.Snapshot) error {
	total, err := database.CountStills(ctx)
	if err != nil {
		return err
	}
	kept, err := openLists(filepath.Join(r.snapshot.dir, sumsFile))
	if err != nil {
		return err
	}
	defer kept.close()
	folders := make(map[string]bool) // of stills, to be synced
	done := 0
	err = database.SealedFiles(ctx, func(s store.SealedFile) error {
		if !fileName.MatchString(s.File) {
			return fmt.Errorf("%w: it names a still that can't be one", ErrDamaged)
		}
		_, known, err := kept.find(stillIn(s.File, r.manifest.suffix))
		if err != nil {
			return err
		}
		if r.o.sample != "" && s.Visit != r.o.sample {
			return ctx.Err()
		}
		if !known {
			r.report.Lost++
		} else if err := r.restoreStill(database, s, folders); err != nil {
			return err
		}
		if done++; r.o.Progress != nil {
			r.o.Progress(done, total)
		}
		return ctx.Err()
	})
	for folder := range folders {
		err = errors.Join(err, durable.SyncFolder(folder))
	}
	return errors.Join(err, durable.SyncFolder(filepath.Join(r.work, stillsDir)), durable.SyncFolder(r.work))
}

// restoreStill restores a still's file, unless it was erased since.
func (r *restore) restoreStill(database *store.Snapshot, s store.SealedFile, folders map[string]bool) error {
	stored := stillIn(s.File, r.manifest.suffix)
	if _, erased := r.erasures["still "+s.File]; erased {
		if r.o.RespectErasures {
			return nil
		}
		if !exists(filepath.Join(r.folder.dir, stored)) {
			return fmt.Errorf("%w, and are gone; it can be restored without what was erased, by respecting the erasures",
				ErrErasedSince)
		}
	}
	to := filepath.Join(r.work, stillIn(s.File, stillSuffix))
	if err := os.Mkdir(filepath.Dir(to), 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	folders[filepath.Dir(to)] = true
	sum, err := r.copyFile(stored, to, s.Size+1)
	if err == nil && sum != hex.EncodeToString(s.SHA256) {
		err = fmt.Errorf("%w: %s is not what the database says", ErrDamaged, stored)
	}
	if err == nil && !database.HasKey(s) {
		err = fmt.Errorf("%w: the key of %s is lost", ErrDamaged, stored)
	}
	if errors.Is(err, ErrDamaged) {
		r.report.Damaged++
		r.item(Item{What: OfStill, File: stored, Visit: s.Visit, Frame: s.Frame})
		if err := os.Remove(to); !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		return nil
	}
	r.report.Stills++
	return err
}

package store

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// checkRemovals looks for erasures that broke off. While there is a server they
// are its business.
func (v *verification) checkRemovals(ctx context.Context) error {
	var files, persons, periods, keys int
	err := v.read.QueryRowContext(ctx, `SELECT (SELECT count(*) FROM removals), (SELECT count(*) FROM erasing),
		(SELECT count(*) FROM erasing_periods), (SELECT count(*) FROM freed_slots)`).Scan(&files, &persons, &periods, &keys)
	if err != nil || v.served || files+persons+periods+keys == 0 {
		return err
	}
	if v.repair {
		if err := v.FinishErasures(ctx); err != nil {
			return err
		}
	}
	if files > 0 {
		v.found(WithRemoval, "", v.repair, "%d files of stills were to be removed and are not yet", files)
	}
	if keys > 0 {
		v.found(WithRemoval, keyFile, v.repair, "%d keys of what went were to be overwritten and are not yet", keys)
	}
	if persons > 0 {
		v.found(WithRemoval, "", v.repair, "the erasure of %d persons broke off", persons)
	}
	if periods > 0 {
		v.found(WithRemoval, "", v.repair, "the erasure of %d periods broke off", periods)
	}
	return nil
}

// checkIncoming looks for files that came in and got no further. Those of
// the last minute may do so yet.
func (v *verification) checkIncoming(ctx context.Context) error {
	waiting, err := os.ReadDir(filepath.Join(v.dir, "incoming"))
	if err != nil {
		return err
	}
	for _, f := range waiting {
		file := f.Name()
		info, err := os.Lstat(v.incomingPath(file))
		if errors.Is(err, fs.ErrNotExist) || err == nil && v.now().Sub(info.ModTime()).Abs() < onItsWay {
			continue
		}
		if err != nil {
			return err
		}
		named, err := v.isNamed(ctx, file)
		if err != nil {
			return err
		}
		switch {
		case info.Mode().IsRegular() && strings.HasSuffix(file, smallSuffix) && !v.served:
			err = v.mend(func() error { return v.recoverSmall(ctx, file) })
			v.found(WithFile, "incoming/"+file, v.mended(err), "these small pictures have not come to their place%s", failure(err))
		case !info.Mode().IsRegular():
			v.found(WithFile, "incoming/"+file, false, "it is none of Lintel's files, and is left alone")
		case named && !exists(v.stillPath(file)):
			err = v.mend(func() error { return v.shelve(file) })
			v.found(WithFile, "incoming/"+file, v.mended(err), "this still's file has not come to its place%s", failure(err))
		case !exists(v.incomingPath(file)): // it moved in between
		case v.served:
			v.found(WithFile, "incoming/"+file, false, "no row names this file; the server keeps it aside at its next start")
		default:
			err = v.mend(func() error { return v.moveAside(ctx, v.incomingPath(file), file) })
			v.found(WithFile, "incoming/"+file, v.mended(err), "no row names this file, and nothing opens it%s", failure(err))
		}
	}
	return nil
}

// checkFiles looks at every file among the stills: a row names it, and it
// lies where its name says.
func (v *verification) checkFiles(ctx context.Context) error {
	return filepath.WalkDir(filepath.Join(v.dir, "stills"), func(path string, d fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return ctx.Err() // it went since its folder was read
		}
		if err == nil {
			err = ctx.Err()
		}
		if err != nil || d.IsDir() {
			return err
		}
		name, err := filepath.Rel(v.dir, path)
		if err != nil {
			return err
		}
		file, ours := fileOf(path)
		if !ours || !d.Type().IsRegular() {
			v.found(WithFile, name, false, "it is none of Lintel's files, and is left alone")
			return nil
		}
		if strings.HasSuffix(path, stillSuffix) {
			v.Files++
		}
		return v.checkFile(ctx, file, name, path)
	})
}

func (v *verification) checkFile(ctx context.Context, file, name, path string) error {
	var named, leaving bool
	// A file comes to its place after its row, and its row goes after its
	// name was written down: so one of the two is there as long as it is.
	err := v.read.QueryRowContext(ctx,
		`SELECT EXISTS (SELECT 1 FROM stills WHERE file = ?1), EXISTS (SELECT 1 FROM removals WHERE file = ?1)`,
		file).Scan(&named, &leaving)
	switch {
	case err != nil || leaving || !exists(path):
		return err
	case strings.HasSuffix(path, smallSuffix) && exists(v.incomingPath(file)+smallSuffix): // on its way yet
	case !named:
		err := v.mend(func() error { return v.moveAside(ctx, path, file) })
		v.found(WithFile, name, v.mended(err), "no row names this file, and nothing opens it%s", failure(err))
	case path == v.stillPath(file), path == v.smallPath(file):
	case strings.HasSuffix(path, smallSuffix):
		err := v.mend(func() error { return os.Remove(path) })
		v.found(WithFile, name, v.mended(err), "these small pictures are in the wrong folder%s", failure(err))
	case exists(v.stillPath(file)):
		err := v.mend(func() error { return os.Remove(path) })
		v.found(WithFile, name, v.mended(err), "this still's file lies in its place as well%s", failure(err))
	default:
		err := v.mend(func() error {
			return errors.Join(v.stillFolder(filepath.Dir(v.stillPath(file))), os.Rename(path, v.stillPath(file)))
		})
		v.found(WithFile, name, v.mended(err), "this still's file is in the wrong folder%s", failure(err))
	}
	return nil
}

// moveAside keeps a still's file aside that no row names; small pictures go.
func (v *verification) moveAside(ctx context.Context, path, file string) error {
	if strings.HasSuffix(path, smallSuffix) {
		return os.Remove(path)
	}
	_, err := v.setAside(ctx, path, file)
	return err
}

package store

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// A copiedStill is a row of the database's copy.
type copiedStill struct {
	visit string
	frame int
	file  string
	size  int64
	hash  []byte
}

// copyStills brings the copies of all stills that the database's copy names
// into the folder, and lists them for the snapshot. It returns the visits of
// those that the archive let go since.
func (b *backup) copyStills(ctx context.Context) (gone []string, err error) {
	r := &b.report
	r.Stills, r.Copied, r.AlreadyThere, r.Lost, r.LostStills = 0, 0, 0, 0, []LostStill{}
	var total int
	if err := b.copy.read.QueryRowContext(ctx, `SELECT count(*) FROM stills WHERE file IS NOT NULL`).Scan(&total); err != nil {
		return nil, fmt.Errorf("counting stills: %w", err)
	}
	if err := b.newRound(ctx, total); err != nil {
		return nil, fmt.Errorf("listing stills: %w", err)
	}
	rows, err := b.copy.read.QueryContext(ctx, `SELECT visit, frame, file, size, sha256 FROM stills WHERE file IS NOT NULL ORDER BY file`)
	if err != nil {
		return nil, fmt.Errorf("listing stills: %w", err)
	}
	defer rows.Close()
	for done := 0; rows.Next(); {
		var s copiedStill
		if err := rows.Scan(&s.visit, &s.frame, &s.file, &s.size, &s.hash); err != nil {
			return nil, fmt.Errorf("listing stills: %w", err)
		}
		there, err := b.copyStill(ctx, s)
		if err != nil {
			return nil, fmt.Errorf("copying still %s: %w", s.file, err)
		}
		if !there {
			gone = append(gone, s.visit)
		}
		if done++; b.o.Progress != nil {
			b.o.Progress(done, total)
		}
		if err := errors.Join(ctx.Err(), b.pass("still copied")); err != nil {
			return nil, err
		}
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("listing stills: %w", err)
	}
	return gone, errors.Join(b.folder.syncStills(), b.pass("stills copied"))
}

// copyStill sees to it that a good copy of the still is in the folder. It
// reports false if the archive no longer has this file, and wants it so.
func (b *backup) copyStill(ctx context.Context, s copiedStill) (there bool, err error) {
	path := stillIn(s.file, b.suffix)
	sum, isNew, kept, err := b.round.keptCopy(path, s.hash)
	if err != nil {
		return false, err
	}
	data, err := b.a.openStill(s.file)
	reason := ""
	switch {
	case errors.Is(err, fs.ErrNotExist):
		reason = "missing"
	case err != nil:
		reason = "unreadable"
	case sha256.Sum256(data) != [32]byte(s.hash):
		reason = "changed"
	}
	if reason != "" {
		// Rows go before files, so this tells what is lost from what was let go.
		if named, err := b.a.isNamed(ctx, s.file); err != nil || !named {
			return false, err
		}
		b.report.Lost++
		if len(b.report.LostStills) < lostNamed {
			b.report.LostStills = append(b.report.LostStills, LostStill{s.visit, s.frame, s.file, reason, kept})
		}
	}
	if !kept && reason != "" {
		return true, b.round.add(manifestStill{s.file, s.size, hex.EncodeToString(s.hash), true}, "", "", false)
	}
	if !kept {
		isNew = true
		if sum, err = b.folder.writeStill(path, data, b.recipients); err != nil {
			return false, err
		}
	}
	b.report.Stills++
	if isNew {
		b.report.Copied++
	} else {
		b.report.AlreadyThere++
	}
	return true, b.round.add(manifestStill{s.file, s.size, hex.EncodeToString(s.hash), false}, path, sum, isNew)
}

// A round goes over all stills once, and lists them.
type round struct {
	dir       string
	encrypted bool
	earlier   *sumLists // of the snapshots
	before    *sumLists // what the rounds before this one copied
	copied    *os.File  // what they and this one copied
	head      manifest
	manifest  *manifestWriter
	sums      *checkedFile
}

// newRound begins to list stills anew.
func (b *backup) newRound(ctx context.Context, total int) (err error) {
	next := &round{dir: b.folder.dir, encrypted: len(b.recipients) > 0}
	if b.round != nil {
		if err := b.round.close(); err != nil {
			return err
		}
	}
	b.round = next
	dir, last, now := b.folder.incoming("snapshot"), b.folder.incoming("copied-before"), b.folder.incoming("copied")
	if err := errors.Join(os.RemoveAll(dir), os.Mkdir(dir, 0o700)); err != nil {
		return err
	}
	if err := os.Rename(now, last); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	next.earlier, _ = b.folder.lists(b.snapshots)
	if next.before, err = openLists(last); err != nil {
		return err
	}
	if next.copied, err = os.OpenFile(now, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600); err != nil {
		return err
	}
	if next.sums, err = createChecked(filepath.Join(dir, sumsFile)); err != nil {
		return err
	}
	head, err := b.manifestHead(ctx, total)
	if err != nil {
		return err
	}
	next.manifest, err = createManifest(filepath.Join(dir, manifestFile), b.recipients, head)
	return err
}

// keptCopy reports whether a good copy of the still is in the folder already,
// with the SHA-256 of that copy, and whether this backup made it. The SHA-256
// of an encrypted copy is known from whoever made it.
func (r *round) keptCopy(path string, hash []byte) (sum string, isNew, kept bool, err error) {
	want, isNew, err := r.before.find(path)
	if err != nil {
		return "", false, false, err
	}
	if !isNew && r.encrypted {
		var known bool
		if want, known, err = r.earlier.find(path); err != nil || !known {
			return "", false, false, err
		}
	}
	if !r.encrypted {
		want = hex.EncodeToString(hash)
	}
	// One that is missing or can't be read is written anew.
	sum, err = hashFile(filepath.Join(r.dir, path))
	return sum, isNew, err == nil && sum == want, nil
}

// add lists a still for the manifest and, if there is a copy of it, for
// SHA256SUMS.
func (r *round) add(s manifestStill, path, sum string, isNew bool) error {
	err := r.manifest.add(s)
	if !s.Lost {
		err = errors.Join(err, r.sums.sum(sum, path))
	}
	if isNew {
		_, copyErr := fmt.Fprintf(r.copied, "%s  %s\n", sum, path)
		err = errors.Join(err, copyErr)
	}
	return err
}

// close gives the files up, as far as they were opened.
func (r *round) close() (err error) {
	r.earlier.close()
	r.before.close()
	if r.copied != nil {
		err = r.copied.Close()
	}
	if r.sums != nil {
		err = errors.Join(err, r.sums.close())
	}
	if r.manifest != nil {
		err = errors.Join(err, r.manifest.close())
	}
	return err
}

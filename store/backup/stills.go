package backup

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"lintel/store"
)

// copyStills brings the copies of all stills that the database's copy names
// into the folder, and lists them for the snapshot. It returns the visits of
// those that the archive let go since.
func (b *backup) copyStills(ctx context.Context) (gone []string, err error) {
	r := &b.report
	r.Stills, r.Copied, r.AlreadyThere, r.Lost, r.LostStills = 0, 0, 0, 0, []LostStill{}
	total, err := b.copy.CountStills(ctx)
	if err != nil {
		return nil, err
	}
	if err := b.newRound(); err != nil {
		return nil, fmt.Errorf("listing stills: %w", err)
	}
	done := 0
	err = b.copy.SealedFiles(ctx, func(s store.SealedFile) error {
		there, err := b.copyStill(ctx, s)
		if err != nil {
			return fmt.Errorf("copying still %s: %w", s.File, err)
		}
		if !there {
			gone = append(gone, s.Visit)
		}
		if done++; b.o.Progress != nil {
			b.o.Progress(done, total)
		}
		return errors.Join(ctx.Err(), b.pass("still copied"))
	})
	if err != nil {
		return nil, err
	}
	return gone, errors.Join(b.folder.syncFolders(), b.pass("stills copied"))
}

// copyStill sees to it that a good copy of the still is in the folder. It
// reports false if the archive no longer has this file, and wants it so.
func (b *backup) copyStill(ctx context.Context, s store.SealedFile) (there bool, err error) {
	path := stillIn(s.File, b.suffix)
	sum, isNew, kept, err := b.round.keptCopy(path, s.SHA256)
	if err != nil {
		return false, err
	}
	data, err := b.a.ReadSealed(s.File)
	reason := ""
	switch {
	case errors.Is(err, fs.ErrNotExist):
		reason = "missing"
	case err != nil:
		reason = "unreadable"
	case !isHash(s.SHA256, data):
		reason = "changed"
	}
	if reason != "" {
		// Rows go before files, so this tells what is lost from what was let go.
		if named, err := b.a.NamesFile(ctx, s.File); err != nil || !named {
			return false, err
		}
		b.report.Lost++
		if len(b.report.LostStills) < lostNamed {
			b.report.LostStills = append(b.report.LostStills, LostStill{s.Visit, s.Frame, s.File, reason, kept})
		}
	}
	if !kept && reason != "" {
		return true, nil // SHA256SUMS does without it
	}
	if !kept {
		isNew = true
		if sum, err = b.folder.write(path, data, b.recipients); err != nil {
			return false, err
		}
	}
	b.report.Stills++
	if isNew {
		b.report.Copied++
	} else {
		b.report.AlreadyThere++
	}
	return true, b.round.add(path, sum, isNew)
}

// A round goes over all stills once, and lists them.
type round struct {
	dir       string
	encrypted bool
	earlier   *sumLists   // of the snapshots
	before    *sumLists   // what the rounds before this one copied
	copied    *listWriter // what they and this one copied
	sums      *listWriter
}

// newRound begins to list stills anew.
func (b *backup) newRound() (err error) {
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
	if next.copied, err = createList(now); err != nil {
		return err
	}
	next.sums, err = createList(filepath.Join(dir, sumsFile))
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

// add lists a still's copy.
func (r *round) add(path, sum string, isNew bool) error {
	err := r.sums.sum(sum, path)
	if isNew {
		err = errors.Join(err, r.copied.sum(sum, path))
	}
	return err
}

// close gives the files up, as far as they were opened; what was copied the
// next round reads.
func (r *round) close() (err error) {
	r.earlier.close()
	r.before.close()
	if r.copied != nil {
		err = r.copied.finish()
	}
	if r.sums != nil {
		err = errors.Join(err, r.sums.close())
	}
	return err
}

// isHash reports whether the hash is that of the data.
func isHash(hash, data []byte) bool {
	sum := sha256.Sum256(data)
	return bytes.Equal(hash, sum[:])
}

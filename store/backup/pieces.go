package backup

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strconv"
)

// The database is cut into runs of pages, each of which is a piece: a file that snapshots
// share whose pages are the same. A piece is named by a keyed hash of what it holds, which tells
// nothing to whoever lacks the master key. So that one piece which goes bad does not cost all
// those snapshots, each group of pieces has a spare one, the exclusive or of all.
const (
	runSize   = 32 << 10
	groupSize = 64 // pieces

	pieceSuffix = ".piece"
	pieceWhat   = "piece" // of a keyed hash
)

// piecePath is the path of a piece.
func piecePath(name, suffix string) string { return path.Join(piecesDir, name[:2], name+suffix) }

// A runHash names what a run holds, by the archive's key.
func runHash(authentic func(what, text string) string, run []byte) (name string) {
	sum := sha256.Sum256(run)
	return authentic(pieceWhat, hex.EncodeToString(sum[:]))
}

// pieceWriter brings the pieces of a database to their place.
type pieceWriter struct {
	*backup
	suffix string
	known  map[string]string // the SHA-256 of encrypted pieces, which only who made them knows
}

// writeDatabase brings those pieces of the database's copy to their place that are not there,
// or not as they were, and lists all.
func (b *backup) writeDatabase(ctx context.Context) error {
	from := filepath.Join(b.work, databaseFile)
	sum, err := hashFile(from)
	if err != nil {
		return err
	}
	f, err := os.Open(from)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	w := pieceWriter{backup: b, suffix: b.suffix, known: b.knownPieces()}
	if len(b.recipients) == 0 {
		w.suffix = pieceSuffix
	}
	if err := b.round.sums.line(databaseMark + strconv.FormatInt(info.Size(), 10) + " " + sum); err != nil {
		return err
	}
	run, spare := make([]byte, runSize), make([]byte, runSize)
	for first, runs := int64(0), (info.Size()+runSize-1)/runSize; first < runs; first += groupSize {
		clear(spare)
		in := make(map[string]bool)
		for range min(groupSize, runs-first) {
			n, err := io.ReadFull(f, run)
			if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
				return err
			}
			name, err := w.write(run[:n])
			if err := errors.Join(err, ctx.Err()); err != nil {
				return err
			}
			if !in[name] {
				exclusiveOr(spare, run[:n])
			}
			in[name] = true
		}
		if err := b.round.sums.line(spareMark); err != nil {
			return err
		}
		if _, err := w.write(spare); err != nil {
			return err
		}
	}
	return errors.Join(b.folder.syncFolders(), b.pass(databaseFile+" written"))
}

func exclusiveOr(sum, with []byte) {
	for i, b := range with {
		sum[i] ^= b
	}
}

// write sees to it that a good copy of the piece is there, and lists it.
func (w pieceWriter) write(run []byte) (name string, err error) {
	name = runHash(w.a.Authentic, run)
	path := piecePath(name, w.suffix)
	want := w.known[path]
	if len(w.recipients) == 0 {
		plain := sha256.Sum256(run)
		want = hex.EncodeToString(plain[:])
	}
	// One that is missing or can't be read is written anew.
	sum, err := hashFile(filepath.Join(w.folder.dir, path))
	if err != nil || sum != want {
		if sum, err = w.folder.write(path, run, w.recipients); err != nil {
			return "", err
		}
		w.report.PiecesCopied++
		w.known[path] = sum
	}
	w.report.Pieces++
	return name, errors.Join(w.round.sums.sum(sum, path), w.pass("piece written"))
}

// knownPieces are the SHA-256 of the pieces that the newest snapshot has.
func (b *backup) knownPieces() map[string]string {
	known := make(map[string]string)
	if len(b.snapshots) == 0 || len(b.recipients) == 0 {
		return known
	}
	c, err := b.folder.manifest(b.snapshots[len(b.snapshots)-1])
	if err != nil {
		return known // all are written anew
	}
	for _, g := range c.groups {
		for _, l := range append(g.pieces, g.spare) {
			known[l.path] = l.sum
		}
	}
	return known
}

// removePieces removes the pieces that none of the snapshots needs.
func (f *folder) removePieces(stay []snapshot) error {
	needed := make(map[string]bool)
	for _, s := range stay {
		c, err := f.manifest(s)
		if err != nil {
			return err
		}
		for _, g := range c.groups {
			for _, l := range append(g.pieces, g.spare) {
				needed[l.path] = true
			}
		}
	}
	err := filepath.WalkDir(filepath.Join(f.dir, piecesDir), func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, err := filepath.Rel(f.dir, name)
		if err != nil || needed[rel] || !pieceName.MatchString(rel) {
			return err
		}
		return os.Remove(name)
	})
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("removing pieces of databases: %w", err)
	}
	return nil
}

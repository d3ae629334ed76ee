package backup

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Marks begin lines of SHA256SUMS that are comments to sha256sum(1). What they say comes
// after them.
const (
	stateMark    = "# state "     // a hash of all that was backed up
	keysMark     = "# keys "      // how many bytes the file of keys has
	databaseMark = "# database "  // its size and SHA-256; its pieces follow
	spareMark    = "# spare"      // the next piece is the spare one of those since the last
	fromMark     = "# from "      // where the archive was
	listMark     = "# authentic " // a keyed hash of the lines above
)

// A manifest is what SHA256SUMS says of a snapshot, but its stills.
type manifest struct {
	own       []sumLine // files in its folder
	suffix    string    // of its stills
	state     string
	from      string
	keysSize  int64 // -1 where it says nothing
	size      int64 // of the database that is in pieces, 0 where it is in one file
	sum       string
	groups    []group
	authentic string // what the list says
	above     string // and what that is to be of
}

// A sumLine is a line as sha256sum(1) writes it.
type sumLine struct{ sum, path string }

// A group is some of the database's pieces, in their order, and the spare one.
type group struct {
	pieces []sumLine
	spare  sumLine
}

// pieceName is what paths of pieces look like.
var pieceName = regexp.MustCompile(`^pieces/([0-9a-f]{2})/([0-9a-f]{64})\.(piece|[0-9a-f]{16}\.age)$`)

// manifest reads the list of a snapshot. The error is ErrDamaged if there is no whole one.
func (f *folder) manifest(s snapshot) (m manifest, err error) {
	r := manifestReader{manifest: manifest{suffix: stillSuffix, keysSize: -1}, here: s.here()}
	above := sha256.New()
	err = readList(filepath.Join(s.dir, sumsFile), func(line string) error {
		if mac, ok := strings.CutPrefix(line, listMark); ok {
			r.authentic, r.above = mac, s.name+" "+hex.EncodeToString(above.Sum(nil))
			return nil
		}
		above.Write([]byte(line + "\n"))
		if r.authentic != "" || !r.line(line) {
			return errBadLine
		}
		return nil
	})
	if errors.Is(err, fs.ErrNotExist) {
		return m, fmt.Errorf("%w: %s of snapshot %s is missing", ErrDamaged, sumsFile, s.name)
	}
	if err == nil && !r.complete() {
		err = fmt.Errorf("%w: %s is not complete", ErrDamaged, path.Join(s.here(), sumsFile))
	}
	return r.manifest, err
}

// A manifestReader reads the lines of a list in their order.
type manifestReader struct {
	manifest
	here   string // the snapshot's folder
	spare  bool   // the next piece is one
	closed bool   // the last group has its spare piece
}

// line reads a line, and reports whether a backup writes such.
func (r *manifestReader) line(line string) bool {
	var err error
	if text, ok := strings.CutPrefix(line, stateMark); ok {
		r.state = text
	} else if text, ok = strings.CutPrefix(line, fromMark); ok {
		r.from, err = strconv.Unquote(text)
	} else if text, ok = strings.CutPrefix(line, keysMark); ok {
		r.keysSize, err = strconv.ParseInt(text, 10, 64)
	} else if text, ok = strings.CutPrefix(line, databaseMark); ok {
		size, sum, _ := strings.Cut(text, " ")
		r.size, err = strconv.ParseInt(size, 10, 64)
		r.sum, r.closed = sum, true
		return err == nil && r.size > 0
	} else if line == spareMark {
		r.spare = true
	} else if sum, name, ok := strings.Cut(line, "  "); ok {
		return r.file(sumLine{sum, name})
	}
	return err == nil
}

func (r *manifestReader) file(l sumLine) bool {
	dir, base := path.Split(l.path)
	switch {
	case strings.HasPrefix(dir, stillsDir+"/"):
		if len(r.own) > 0 || r.size > 0 || !stillName.MatchString(base) {
			return false
		}
		r.suffix = base[strings.IndexByte(base, '.'):]
	case r.size > 0 && strings.HasPrefix(dir, piecesDir+"/"):
		return pieceName.MatchString(l.path) && r.piece(l)
	case path.Clean(dir) == r.here:
		r.own = append(r.own, l)
	default:
		return false
	}
	return true
}

func (r *manifestReader) piece(l sumLine) bool {
	if r.closed && !r.spare {
		r.groups, r.closed = append(r.groups, group{}), false
	}
	if len(r.groups) == 0 {
		return false
	}
	last := &r.groups[len(r.groups)-1]
	if r.spare {
		last.spare, r.spare, r.closed = l, false, true
		return len(last.pieces) > 0
	}
	last.pieces = append(last.pieces, l)
	return true
}

// complete reports whether the list names a whole database.
func (r *manifestReader) complete() bool {
	if r.size > 0 {
		n := 0
		for _, g := range r.groups {
			n += len(g.pieces)
		}
		return r.closed && int64(n) == (r.size+runSize-1)/runSize
	}
	return slices.ContainsFunc(r.own, func(l sumLine) bool {
		return strings.TrimSuffix(path.Base(l.path), ageSuffix) == databaseFile
	})
}

// find returns the snapshot's own file of that name, encrypted or not.
func (c manifest) find(name string) (l sumLine, found bool) {
	for _, l := range c.own {
		if strings.TrimSuffix(path.Base(l.path), ageSuffix) == name {
			return l, true
		}
	}
	return sumLine{}, false
}

// checkOwnFiles compares the snapshot's own files, and the pieces of its database, with
// their SHA-256.
func (f *folder) checkOwnFiles(s snapshot) (c manifest, err error) {
	if c, err = f.manifest(s); err != nil {
		return c, err
	}
	checked := make(map[string]bool)
	check := func(l sumLine) error {
		if checked[l.path] {
			return nil
		}
		checked[l.path] = true
		return f.checkFile(l)
	}
	for _, l := range c.own {
		err = errors.Join(err, check(l))
	}
	for _, g := range c.groups {
		for _, l := range append(g.pieces, g.spare) {
			err = errors.Join(err, check(l))
		}
	}
	return c, err
}

func (f *folder) checkFile(l sumLine) error {
	got, err := hashFile(filepath.Join(f.dir, l.path))
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%w: %s is missing", ErrDamaged, l.path)
	}
	if err == nil && got != l.sum {
		return fmt.Errorf("%w: %s has been changed", ErrDamaged, l.path)
	}
	return err
}

// Of returns whose backups a folder holds and where the archive was of which its newest
// snapshot is, "" where it does not say.
func Of(dir string) (household, where string, err error) {
	if household, err = readMark(dir); err != nil {
		return "", "", err
	}
	f := &folder{dir: dir}
	all, err := f.snapshots()
	if err != nil || len(all) == 0 {
		return household, "", err
	}
	m, err := f.manifest(all[len(all)-1])
	if err != nil {
		return household, "", nil // which a restore says
	}
	return household, m.from, nil
}

package backup

import (
	"bufio"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// errBadLine says that a line of a list is not what a backup writes.
var errBadLine = errors.New("a line is not what a backup writes")

// endMark begins the last line of a list, a comment to sha256sum(1): the SHA-256 of all above it.
const endMark = "# end "

// A listWriter writes a list: lines of text and, at its end, what it held, so
// that a cut or changed one is known.
type listWriter struct{ *storedFile }

func createList(name string) (*listWriter, error) {
	f, err := createStored(name, nil)
	if err != nil {
		return nil, err
	}
	return &listWriter{f}, nil
}

func (c *listWriter) line(text string) error {
	_, err := io.WriteString(c, text+"\n")
	return err
}

// sum writes a line as sha256sum(1) does.
func (c *listWriter) sum(sum, path string) error { return c.line(sum + "  " + path) }

// finish makes the file durable.
func (c *listWriter) finish() error {
	err := c.buffered.Flush()
	if err == nil {
		_, err = fmt.Fprintf(c.f, "%s%x\n", endMark, c.hash.Sum(nil))
	}
	return errors.Join(err, c.f.Sync(), c.f.Close())
}

// readList calls f with each line of a list. The error is
// ErrDamaged if it has been cut or changed, which is known only at its end.
func readList(name string, f func(line string) error) error {
	file, err := os.Open(name)
	if err != nil {
		return err
	}
	defer file.Close()
	damaged := fmt.Errorf("%w: %s has been changed", ErrDamaged, filepath.Base(name))
	h := sha256.New()
	lines := bufio.NewScanner(file)
	ended := false
	for lines.Scan() {
		line := lines.Text()
		if ended {
			return damaged
		}
		if end, ok := strings.CutPrefix(line, endMark); ok {
			if end != hex.EncodeToString(h.Sum(nil)) {
				return damaged
			}
			ended = true
			continue
		}
		h.Write([]byte(line + "\n"))
		if err := f(line); errors.Is(err, errBadLine) {
			return damaged
		} else if err != nil {
			return err
		}
	}
	if errors.Is(lines.Err(), bufio.ErrTooLong) || lines.Err() == nil && !ended {
		return damaged
	}
	return lines.Err()
}

// sumLists look paths of stills up in lists of their SHA-256, each sorted by
// path, while keeping one line of each in memory.
type sumLists struct {
	lists []*sumList
}

// lists opens the lists of snapshots, newest first, and returns the names of
// those whose list is damaged.
func (f *folder) lists(of []snapshot) (all *sumLists, damaged []string) {
	all = new(sumLists)
	for _, s := range of {
		name := filepath.Join(s.dir, sumsFile)
		var list *sumList
		err := readList(name, func(string) error { return nil })
		if err == nil {
			list, err = openList(name)
		}
		if err != nil {
			damaged = append(damaged, s.name)
			continue
		}
		all.lists = append([]*sumList{list}, all.lists...)
	}
	return all, damaged
}

// openLists opens one list, if there is one.
func openLists(name string) (*sumLists, error) {
	list, err := openList(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return &sumLists{[]*sumList{list}}, nil
}

// find returns the SHA-256 of the still at the path by the first list that
// names it. Paths are asked for in ascending order.
func (l *sumLists) find(path string) (sum string, found bool, err error) {
	if l == nil {
		return "", false, nil
	}
	for _, list := range l.lists {
		s, ok, err := list.find(path)
		if err != nil {
			return "", false, err
		}
		if ok && !found {
			sum, found = s, true
		}
	}
	return sum, found, nil
}

func (l *sumLists) close() {
	if l == nil {
		return
	}
	for _, list := range l.lists {
		list.file.Close()
	}
}

// A sumList goes through one list. Lines that are not of stills are passed by.
type sumList struct {
	file      io.Closer
	next      func() (line string, ok bool, err error)
	path, sum string
	ended     bool
}

func openList(name string) (*sumList, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	lines := bufio.NewScanner(f)
	return &sumList{file: f, next: func() (string, bool, error) {
		ok := lines.Scan()
		return lines.Text(), ok, lines.Err()
	}}, nil
}

// listOf is the list of what is sorted already, without a SHA-256.
func listOf(sorted []string) *sumList {
	return &sumList{file: io.NopCloser(nil), next: func() (line string, ok bool, err error) {
		if len(sorted) == 0 {
			return "", false, nil
		}
		line, sorted = "  "+sorted[0], sorted[1:]
		return line, true, nil
	}}
}

func (l *sumList) find(path string) (sum string, found bool, err error) {
	for !l.ended && l.path < path {
		line, ok, err := l.next()
		if err != nil {
			return "", false, err
		}
		l.ended = !ok
		if sum, name, isSum := strings.Cut(line, "  "); ok && isSum && (strings.HasPrefix(name, stillsDir+"/") || sum == "") {
			l.sum, l.path = sum, name
		}
	}
	return l.sum, !l.ended && l.path == path, nil
}

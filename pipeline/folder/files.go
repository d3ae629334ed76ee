package folder

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"strings"
	"syscall"
	"time"

	"lintel/pipeline/intake"
)

const (
	deepest  = 4       // folders within a folder
	mostSeen = 200_000 // files of a folder that are looked at
)

// errNoFile says that something is no regular file, or not the one that was listed.
var errNoFile = errors.New("this is no regular file")

// An entry is a file of a folder.
type entry struct {
	name     string // with / between
	size     int64
	modified time.Time
}

// is reports whether a regular file is there, and the one that was listed.
func (e entry) is(info fs.FileInfo) bool {
	return info.Mode().IsRegular() && info.Size() == e.size && info.ModTime().Equal(e.modified)
}

// list lists the regular files of a folder and the folders in it. What can't be
// looked into is passed over, but for the folder itself.
func list(ctx context.Context, dir string) (files []entry, folders []string, err error) {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, nil, fmt.Errorf("opening a folder of stills: %w", err)
	}
	defer root.Close()
	err = fs.WalkDir(root.FS(), ".", func(name string, d fs.DirEntry, err error) error {
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case err != nil && name == ".":
			return err
		case err != nil:
			return nil
		case d.IsDir() && name != "." && (strings.HasPrefix(path.Base(name), ".") || strings.Count(name, "/") >= deepest):
			return fs.SkipDir
		case d.IsDir():
			folders = append(folders, path.Join(dir, name))
			return nil
		case !d.Type().IsRegular():
			return nil
		}
		info, err := d.Info()
		if err != nil || len(files) >= mostSeen {
			return nil // it went meanwhile
		}
		files = append(files, entry{name, info.Size(), info.ModTime()})
		return nil
	})
	if err != nil {
		return nil, nil, fmt.Errorf("looking through a folder of stills: %w", err)
	}
	return files, folders, nil
}

// read reads a file of a folder, a byte more than a still may have at the most. It
// waits for nothing: neither a pipe nor a device is opened. The error is errNoFile if
// it is not the file that was listed any more.
func read(dir string, e entry) ([]byte, error) {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, fmt.Errorf("opening a folder of stills: %w", err)
	}
	defer root.Close()
	f, err := root.OpenFile(e.name, os.O_RDONLY|syscall.O_NOFOLLOW|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, fmt.Errorf("opening a still: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, fmt.Errorf("opening a still: %w", err)
	}
	if !e.is(info) {
		return nil, errNoFile
	}
	body, err := io.ReadAll(io.LimitReader(f, intake.MaxBytes+1))
	if err != nil {
		return nil, fmt.Errorf("reading a still: %w", err)
	}
	return body, nil
}

// remove removes a file that was kept, if it is the one that was.
func remove(dir string, e entry) error {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer root.Close()
	info, err := root.Lstat(e.name)
	if err != nil || !e.is(info) {
		return errors.Join(err, errNoFile)
	}
	return root.Remove(e.name)
}

func contentOf(body []byte) [32]byte { return sha256.Sum256(body) }

// ends reports whether a picture ends as its kind does: a JPEG with its end marker
// (ITU-T T.81, B.1.1.3), which some cameras write something after, a PNG with its
// IEND chunk (ISO/IEC 15948, 11.2.5). Of what is neither there is no more to wait for.
func ends(body []byte) bool {
	const after = 4 << 10 // bytes, of what follows the end
	tail := body[max(0, len(body)-after):]
	switch {
	case len(body) == 0:
		return false
	case bytes.HasPrefix(body, []byte("\xff\xd8")):
		return bytes.Contains(tail, []byte("\xff\xd9"))
	case bytes.HasPrefix(body, []byte("\x89PNG")):
		return bytes.Contains(tail, []byte("IEND\xaeB`\x82"))
	}
	return len(body) >= 16
}

package models

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// ErrIncomplete is what the error of [Check] and [Present] is when any file is not as it has to be.
var ErrIncomplete = errors.New("model files are not complete")

// State is what became of looking at a file.
type State int

const (
	OK         State = iota // it has the right SHA-256
	Missing                 // it is not there
	Wrong                   // it is there, with other bytes
	Unreadable              // it may be there, but could not be read
)

// String returns the state as one lower-case word.
func (s State) String() string {
	switch s {
	case OK:
		return "ok"
	case Missing:
		return "missing"
	case Wrong:
		return "wrong"
	}
	return "unreadable"
}

// Finding is what was found of one file.
type Finding struct {
	File   File
	State  State
	SHA256 string // of the bytes found, if State is OK or Wrong and they were hashed
	Size   int64  // of the bytes found, likewise
	Err    error  // why, if State is Unreadable
}

// String returns a line for people: what is the matter and, unless all is well, which file is wanted instead.
func (f Finding) String() string {
	var found string
	switch f.State {
	case OK:
		return f.File.Name + ": ok"
	case Wrong:
		found = fmt.Sprintf("wrong: %d bytes", f.Size)
		if f.SHA256 != "" {
			found += ", SHA-256 " + f.SHA256
		}
	case Unreadable:
		found = fmt.Sprintf("unreadable: %v", f.Err)
	default:
		found = f.State.String()
	}
	line := f.File.Name + ": " + found + "\n    " + wanted(f.File)
	if f.File.Kind == Optional {
		line += "\n    optional: without it " + without
	}
	return line
}

// wanted describes a file to somebody who has to find it.
func wanted(f File) string {
	return fmt.Sprintf("wanted: %d bytes, SHA-256 %s, from %s (%s)", f.Size, f.SHA256, f.Origin, f.Path)
}

// IncompleteError says which files are not as they have to be. It is [ErrIncomplete].
type IncompleteError struct {
	Dir      string
	Findings []Finding // those whose State is not OK
	Checked  int       // how many files were looked at
}

// Error lists the files with what is wanted in their place, several lines in all.
func (e *IncompleteError) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d of %d model files in %s are not as they have to be:\n", len(e.Findings), e.Checked, e.Dir)
	for _, f := range e.Findings {
		fmt.Fprintf(&b, "  %s\n", f)
	}
	b.WriteString("On Debian `lintel models fetch` brings them. Elsewhere put them there by hand, ")
	b.WriteString("under these names; `lintel models check` confirms them.")
	return b.String()
}

// Is reports whether target is [ErrIncomplete].
func (e *IncompleteError) Is(target error) bool { return target == ErrIncomplete }

// Check hashes the required files in dir, and those of the kinds asked for besides, and returns a finding for each.
// The error is nil if all are right, or only optional ones are missing, else an [*IncompleteError]. It reads about 32
// MB and takes about 0.1 s.
func Check(dir string, kinds ...Kind) ([]Finding, error) {
	return examine(dir, Files(kinds...), hashed)
}

// Verify hashes the one file of the name in dir and returns its path. The error is [fs.ErrNotExist] if it is not there
// and [ErrMismatch] if it has other bytes than the table says, or the table does not have it.
func Verify(dir, name string) (path string, err error) {
	i := slices.IndexFunc(files, func(f File) bool { return f.Name == name })
	if i < 0 {
		return "", fmt.Errorf("model file %s: %w", name, ErrMismatch)
	}
	path = filepath.Join(dir, filepath.FromSlash(name))
	switch found := hashed(path, files[i]); found.State {
	case OK:
		return path, nil
	case Wrong:
		return "", fmt.Errorf("model file %s: %w", found, ErrMismatch)
	case Missing:
		return "", fmt.Errorf("model file %s: %w", found, fs.ErrNotExist)
	default:
		return "", fmt.Errorf("model file %s: %w", name, found.Err)
	}
}

// Present is Check by name and size alone, without reading the files.
func Present(dir string, kinds ...Kind) error {
	_, err := examine(dir, Files(kinds...), sized)
	return err
}

func examine(dir string, files []File, look func(string, File) Finding) ([]Finding, error) {
	var all, amiss []Finding
	for _, file := range files {
		f := look(filepath.Join(dir, filepath.FromSlash(file.Name)), file)
		all = append(all, f)
		if f.State != OK && !(file.Kind == Optional && f.State == Missing) {
			amiss = append(amiss, f)
		}
	}
	if len(amiss) > 0 {
		return all, &IncompleteError{Dir: dir, Findings: amiss, Checked: len(all)}
	}
	return all, nil
}

func sized(path string, file File) Finding {
	info, err := os.Stat(path)
	if err != nil {
		return unread(file, err)
	}
	f := Finding{File: file, Size: info.Size()}
	if !info.Mode().IsRegular() || info.Size() != file.Size {
		f.State = Wrong
	}
	return f
}

func hashed(path string, file File) Finding {
	sum, size, err := hashFile(path)
	if err != nil {
		return unread(file, err)
	}
	f := Finding{File: file, Size: size, SHA256: sum}
	if sum != file.SHA256 {
		f.State = Wrong
	}
	return f
}

func unread(file File, err error) Finding {
	if errors.Is(err, fs.ErrNotExist) {
		return Finding{File: file, State: Missing}
	}
	return Finding{File: file, State: Unreadable, Err: err}
}

func hashFile(path string) (sum string, size int64, err error) {
	f, err := os.Open(path)
	if err != nil {
		return "", 0, err
	}
	defer f.Close()
	h := sha256.New()
	size, err = io.Copy(h, f)
	return hex.EncodeToString(h.Sum(nil)), size, err
}

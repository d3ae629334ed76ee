package service

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// same reports whether two files have the same bytes.
func same(a, b string) (bool, error) {
	one, err := sum(a)
	if err != nil {
		return false, err
	}
	other, err := sum(b)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	return err == nil && bytes.Equal(one, other), err
}

func sum(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return nil, err
	}
	return h.Sum(nil), nil
}

func copyFile(from, to string, mode fs.FileMode) error {
	f, err := os.Open(from)
	if err != nil {
		return err
	}
	defer f.Close()
	return write(to, f, mode)
}

// write replaces a file, whole or not at all, also one that runs.
func write(path string, text io.Reader, mode fs.FileMode) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".lintel-*")
	if err != nil {
		return err
	}
	_, err = io.Copy(f, text)
	if err = errors.Join(err, f.Chmod(mode), f.Sync(), f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		os.Remove(f.Name())
	}
	return err
}

// uidOf is the id of the user whose the file is.
func uidOf(info fs.FileInfo) int {
	if s, ok := info.Sys().(*syscall.Stat_t); ok {
		return int(s.Uid)
	}
	return -1
}

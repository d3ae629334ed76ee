package backup

import (
	"bufio"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"os"

	"filippo.io/age"
)

// A storedFile is written to a folder of backups, encrypted if there are
// recipients.
type storedFile struct {
	io.Writer
	f         *os.File
	hash      hash.Hash // of what is stored
	size      int64     // in bytes
	encrypted io.Closer
	buffered  *bufio.Writer
}

func createStored(path string, recipients []age.Recipient) (*storedFile, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, err
	}
	s := &storedFile{f: f, hash: sha256.New()}
	s.buffered = bufio.NewWriterSize(io.MultiWriter(f, s.hash), 1<<16)
	s.Writer = s.buffered
	if len(recipients) > 0 {
		w, err := age.Encrypt(s.buffered, recipients...)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("encrypting: %w", err), f.Close())
		}
		s.Writer, s.encrypted = w, w
	}
	return s, nil
}

// finish makes the file durable and returns its SHA-256.
func (s *storedFile) finish() (sum string, err error) {
	if s.encrypted != nil {
		err = s.encrypted.Close()
	}
	err = errors.Join(err, s.buffered.Flush())
	if info, statErr := s.f.Stat(); statErr == nil {
		s.size = info.Size()
	}
	err = errors.Join(err, s.f.Sync(), s.f.Close())
	return hex.EncodeToString(s.hash.Sum(nil)), err
}

// close gives up a file that was not finished; after finish it does nothing.
func (s *storedFile) close() error {
	if err := s.f.Close(); !errors.Is(err, fs.ErrClosed) {
		return err
	}
	return nil
}

// hashFile returns the SHA-256 of a file, in hexadecimal.
func hashFile(name string) (sum string, err error) {
	f, err := os.Open(name)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// storeFile stores a copy of a file, under its name in a snapshot, and returns
// the copy's SHA-256.
func storeFile(from, to string, recipients []age.Recipient) (sum string, err error) {
	f, err := os.Open(from)
	if err != nil {
		return "", err
	}
	defer f.Close()
	s, err := createStored(storedName(to, len(recipients) > 0), recipients)
	if err != nil {
		return "", err
	}
	if _, err := io.Copy(s, f); err != nil {
		return "", errors.Join(err, s.close())
	}
	return s.finish()
}

func storedName(name string, encrypted bool) string {
	if encrypted {
		return name + ageSuffix
	}
	return name
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

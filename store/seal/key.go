package seal

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"golang.org/x/crypto/argon2"
)

// ErrNoKey says that the master key is not where it should be.
var ErrNoKey = errors.New("the master key is missing")

// ErrBadKey says that a file holds no master key.
var ErrBadKey = errors.New("this is not a master key")

// ErrExposed says that a file with a secret can be read by others.
var ErrExposed = errors.New("others may read it")

// CheckPrivate reports whether a file with a secret is its owner's alone: the error
// is ErrExposed unless its permissions keep everybody else from it.
func CheckPrivate(path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	if mode := info.Mode().Perm(); mode&0o077 != 0 {
		return fmt.Errorf("%w: %s (mode %03o); chmod 600 it if they never did", ErrExposed, path, mode)
	}
	return nil
}

// keyMark begins a key file, so that another file is not taken for one.
const keyMark = "lintel-master-key-1 "

// WriteKey writes a new key file, readable by its owner only, and durable when
// it returns. A file that is there already is left alone: the error is
// fs.ErrExist.
func WriteKey(path string, key Key) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return fmt.Errorf("making the master key's folder: %w", err)
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return fmt.Errorf("writing the master key: %w", err)
	}
	_, err = f.WriteString(key.Text() + "\n")
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		os.Remove(path)
		return fmt.Errorf("writing the master key: %w", err)
	}
	d, err := os.Open(filepath.Dir(path))
	if err != nil {
		return fmt.Errorf("writing the master key: %w", err)
	}
	return errors.Join(d.Sync(), d.Close())
}

// ReadKey reads a key file, which may also hold the lines of a copy: whoever has only
// the paper left types them into it. The error is ErrNoKey if there is none, and
// ErrBadKey if it holds something else or others may read it.
func ReadKey(path string) (k Key, err error) {
	switch err := CheckPrivate(path); {
	case errors.Is(err, fs.ErrNotExist):
		return k, fmt.Errorf("%w: %s", ErrNoKey, path)
	case errors.Is(err, ErrExposed):
		return k, fmt.Errorf("%w that can be trusted: %w", ErrBadKey, err)
	case err != nil:
		return k, fmt.Errorf("reading the master key: %w", err)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return k, fmt.Errorf("reading the master key: %w", err)
	}
	k, err = KeyOfCopy(data)
	switch {
	case errors.Is(err, ErrBadCopy):
		return k, fmt.Errorf("%w: %s: %w", ErrBadKey, path, err)
	case err != nil:
		return k, fmt.Errorf("%w: %s", err, path)
	}
	return k, nil
}

// SaltSize is the length of a passphrase's salt, in bytes.
const SaltSize = 16

// KeyOf derives a master key from a passphrase by argon2id, with the second
// recommended choice of RFC 9106: 64 MiB, 3 passes, 4 lanes. It takes about
// 0.2 s. The salt is random, SaltSize bytes, and no secret.
func KeyOf(passphrase string, salt []byte) Key {
	return Key(argon2.IDKey([]byte(passphrase), salt, 3, 64<<10, 4, KeySize))
}

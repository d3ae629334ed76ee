package main

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"lintel/store"
	"lintel/store/seal"
)

// keyFlags say where the master key is, which never lies in the archive's
// folder: whoever takes the folder shall not have both.
type keyFlags struct {
	Key            string `help:"${key_key}" env:"LINTEL_KEY" type:"path" placeholder:"FILE"`
	PassphraseFile string `help:"${key_passphrase}" env:"LINTEL_PASSPHRASE_FILE" type:"existingfile" placeholder:"FILE"`
}

// credential is the name of the credential that systemd passes the key as, in
// the folder $CREDENTIALS_DIRECTORY; see systemd.exec(5).
const credential = "lintel-key"

// errKeyInside says that the key would lie with what it locks.
var errKeyInside = errors.New("the master key must not lie in the archive's folder")

// masterKey returns the archive's master key. A new archive gets a new key
// where there is none; an archive that is there does not.
func (g *globals) masterKey() (seal.Key, error) {
	if g.PassphraseFile != "" {
		return g.keyOfPassphrase()
	}
	path, err := g.keyPath()
	if err != nil {
		return seal.Key{}, err
	}
	if inside(path, g.Data) {
		return seal.Key{}, failed(errKeyInside, "key-inside", "Path", path)
	}
	key, err := seal.ReadKey(path)
	switch {
	case !errors.Is(err, seal.ErrNoKey):
		return key, err
	case store.Exists(g.Data):
		return seal.Key{}, failed(err, "key-missing", "Path", path, "Folder", g.Data)
	}
	key = seal.NewKey()
	if err := seal.WriteKey(path, key); errors.Is(err, fs.ErrExist) {
		return seal.ReadKey(path) // another process was quicker
	} else if err != nil {
		return seal.Key{}, err
	}
	tell(g.stderr, "key-made", "Path", path)
	return key, nil
}

// keyPath is where the key file is, by what was said first.
func (g *globals) keyPath() (string, error) {
	if g.Key != "" {
		return g.Key, nil
	}
	if dir := os.Getenv("CREDENTIALS_DIRECTORY"); dir != "" {
		path := filepath.Join(dir, credential)
		if _, err := os.Stat(path); err == nil {
			return path, nil
		}
	}
	dir, err := os.UserConfigDir()
	if err != nil {
		return "", failed(err, "key-where", "Error", err)
	}
	return filepath.Join(dir, "lintel", "master.key"), nil
}

// inside reports whether a path leads into a folder.
func inside(path, folder string) bool {
	rel, err := filepath.Rel(resolved(folder), resolved(path))
	return err == nil && rel != ".." && !strings.HasPrefix(rel, ".."+string(filepath.Separator))
}

// resolved follows the links in a path, as far as it exists.
func resolved(path string) string {
	if r, err := filepath.EvalSymlinks(path); err == nil {
		return r
	}
	if parent := filepath.Dir(path); parent != path {
		return filepath.Join(resolved(parent), filepath.Base(path))
	}
	return path
}

// keyOfPassphrase derives the key. The salt, which is no secret, lies with the
// archive.
func (g *globals) keyOfPassphrase() (seal.Key, error) {
	if err := seal.CheckPrivate(g.PassphraseFile); err != nil {
		return seal.Key{}, fmt.Errorf("reading the passphrase: %w", err)
	}
	text, err := os.ReadFile(g.PassphraseFile)
	if err != nil {
		return seal.Key{}, fmt.Errorf("reading the passphrase: %w", err)
	}
	passphrase := strings.TrimRight(string(text), "\r\n")
	if len(passphrase) < 16 {
		return seal.Key{}, failed(seal.ErrBadKey, "passphrase-short")
	}
	path := filepath.Join(g.Data, "passphrase.salt")
	salt, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) && !store.Exists(g.Data) {
		salt = make([]byte, seal.SaltSize)
		rand.Read(salt)
		err = errors.Join(os.MkdirAll(g.Data, 0o700), os.WriteFile(path, salt, 0o600))
	}
	if err != nil {
		return seal.Key{}, fmt.Errorf("reading the passphrase's salt: %w", err)
	}
	if len(salt) != seal.SaltSize {
		return seal.Key{}, failed(seal.ErrBadKey, "passphrase-salt", "Path", path)
	}
	return seal.KeyOf(passphrase, salt), nil
}

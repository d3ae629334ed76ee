// Package durable writes files that outlive a loss of power: call [Write], and
// then [SyncFolder] for the folder that the file is in.
package durable

import (
	"errors"
	"os"
)

// Write makes a file that only its owner may read, which must not be there. Its
// content is durable, not yet its name.
func Write(path string, data []byte) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

// SyncFolder makes the names in a folder durable, as fsync(2) asks.
func SyncFolder(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

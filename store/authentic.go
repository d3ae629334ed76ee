package store

import (
	"encoding/hex"

	"lintel/store/seal"
)

// Authentic returns a keyed hash of what a backup writes beside the database, by
// which a restore knows it again: nobody without the master key can make one.
func (a *Archive) Authentic(what, text string) string { return authentic(a.seals, what, text) }

// Authentic is [Archive.Authentic] by the key of the archive that was copied.
func (s *Snapshot) Authentic(what, text string) string { return authentic(s.copy.seals, what, text) }

func authentic(seals *seal.Sealer, what, text string) string {
	return hex.EncodeToString(seals.Index("backup " + what + "\x00" + text))
}

// Vouches reports whether the archive that was copied vouched for its rows: from
// then on backups authenticate what they write beside.
func (s *Snapshot) Vouches() bool { return s.copy.vouches }

// AuthenticBy is [Archive.Authentic] by a master key that is at hand before any archive is.
func AuthenticBy(master seal.Key, what, text string) (string, error) {
	seals, err := seal.NewSealer(master)
	if err != nil {
		return "", err
	}
	return authentic(seals, what, text), nil
}

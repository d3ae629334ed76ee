package store

import (
	"encoding/hex"

	"lintel/store/seal"
)

// Authentic returns a keyed hash of what a backup writes of a snapshot beside the
// database, by which a restore that has the master key of its time knows it again:
// nobody without that key can make one.
func (a *Archive) Authentic(what, text string) string { return authentic(a.seals.OwnIndex, what, text) }

// AuthenticOfAll is Authentic of what a backup writes for all its snapshots, also those
// from before the master key was changed: whoever has an earlier key can make one.
func (a *Archive) AuthenticOfAll(what, text string) string {
	return authentic(a.seals.Index, what, text)
}

// AuthenticOfAll is [Archive.AuthenticOfAll] by the key of the archive that was copied.
func (s *Snapshot) AuthenticOfAll(what, text string) string {
	return authentic(s.copy.seals.Index, what, text)
}

func authentic(index func(string) []byte, what, text string) string {
	return hex.EncodeToString(index("backup " + what + "\x00" + text))
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
	return authentic(seals.OwnIndex, what, text), nil
}

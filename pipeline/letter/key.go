package letter

import (
	"crypto/rand"
	"encoding/base64"
	"errors"
	"strings"
)

// KeySize is the length of a key, in bytes: as many as SHA-256 gives, which RFC
// 2104 section 3 recommends.
const KeySize = 32

// ErrKey says that something is not a key, or not the text of one.
var ErrKey = errors.New("this is no key of a receiver")

// keyMark begins the text of a key, so that another is not taken for one.
const keyMark = "lintel-receiver-key-1 "

// A Key is what the server and one receiver have in common. Whoever has it can
// write letters to that receiver, which then acts on them.
type Key [KeySize]byte

// NewKey returns a random key.
func NewKey() (k Key) {
	rand.Read(k[:]) // never fails, see crypto/rand
	return k
}

// Text returns the key in one line, for a file that only the receiver reads.
func (k Key) Text() string { return keyMark + base64.StdEncoding.EncodeToString(k[:]) }

// ParseKey reads what [Key.Text] wrote, with or without an end of the line. The
// error is [ErrKey].
func ParseKey(text string) (k Key, err error) {
	raw, ok := strings.CutPrefix(strings.TrimSpace(text), keyMark)
	b, err := base64.StdEncoding.Strict().DecodeString(raw)
	if !ok || err != nil || len(b) != KeySize || Key(b) == (Key{}) {
		return k, ErrKey // with no word of what it was
	}
	return Key(b), nil
}

// String hides the key from logs.
func (k Key) String() string { return "(key)" }

// GoString hides it, too.
func (k Key) GoString() string { return "(key)" }

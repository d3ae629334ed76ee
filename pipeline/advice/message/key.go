package message

import (
	"encoding/base64"
	"errors"
)

// KeySize is the length of a key, in bytes: as many as SHA-256 gives, which RFC
// 2104 section 3 recommends.
const KeySize = 32

// ErrKey says that something is not a key.
var ErrKey = errors.New("this is no key of a receiver")

// keyMark begins the text of a key, so that another is not taken for one.
const keyMark = "lintel-receiver-key-1 "

// A Key is what the server and one receiver have in common. Whoever has it can
// write messages to that receiver, which then acts on them.
type Key [KeySize]byte

// Text returns the key in one line, for a file that only the receiver reads.
func (k Key) Text() string { return keyMark + base64.StdEncoding.EncodeToString(k[:]) }

// String hides the key from logs.
func (k Key) String() string { return "(key)" }

// GoString hides it, too.
func (k Key) GoString() string { return "(key)" }

// Package seal makes what the archive keeps unreadable to whoever has only its
// folder: make a [Sealer] of a master key, and seal each value, or the content
// of a still's file, for the place where it is kept. It opens for that place
// alone:
//
//	sealer, err := seal.NewSealer(master)
//	sealed := sealer.Value([]byte("Tamsin Quill"), "persons.name", id)
//	name, err := sealer.OpenValue(sealed, "persons.name", id)
//
// Everything is sealed with AES-256-GCM (NIST SP 800-38D) from the standard
// library, so a changed byte is noticed, and bound to its place: what was
// sealed as one still can't pass for another.
//
// There are three kinds of keys.
//
//   - The master key, 32 random bytes, lies in a file outside the archive's
//     folder, comes as a credential from the service manager, or is derived
//     from a passphrase ([ReadKey]). It is never stored in the archive.
//   - From it HKDF (RFC 5869) derives one key for each use: wrapping data keys,
//     sealing small values such as names and descriptors, making the index by
//     which a name is looked up, vouching for rows, and counting them. An archive that
//     gets another master key carries the one of the index on ([Sealer.WithIndex]).
//   - What is to go without a trace, such as a still, has a random data key of its
//     own, stored wrapped ([Sealer.Wrap]). Whoever destroys the wrapped key
//     destroys all that was sealed with it ([Key.Seal]), wherever copies may be.
package seal

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"sync"
)

// KeySize is the length of every key here, in bytes.
const KeySize = 32

// Overhead is how many bytes longer a sealed value is than the value.
const Overhead = 12 + 16 // nonce and tag

// ErrOpen says that something can't be opened: it was sealed with another
// key, for another place, or has changed since.
var ErrOpen = errors.New("it was sealed with another key or has been changed")

// A Key is a master key, or a data key.
type Key [KeySize]byte

// NewKey returns a random key.
func NewKey() (k Key) {
	rand.Read(k[:]) // never fails, see crypto/rand
	return k
}

// A Sealer seals and opens with the keys derived from a master key. It is safe
// for use by several goroutines.
type Sealer struct {
	wrapping cipher.AEAD
	values   cipher.AEAD
	index    keyedHash
	indexKey Key // that index is under
	own      keyedHash
	vouching keyedHash
	counting keyedHash
}

// NewSealer derives the keys of a master key.
func NewSealer(master Key) (*Sealer, error) {
	s := new(Sealer)
	var err error
	if s.wrapping, err = derived(master, "lintel wrapping of data keys 1"); err != nil {
		return nil, err
	}
	if s.values, err = derived(master, "lintel sealing of values 1"); err != nil {
		return nil, err
	}
	key, err := hkdf.Key(sha256.New, master[:], nil, "lintel index of names 1", KeySize)
	if err != nil {
		return nil, fmt.Errorf("deriving a key: %w", err)
	}
	s = s.WithIndex(Key(key))
	s.own = s.index
	if s.vouching, err = newKeyedHash(master, "lintel vouching for rows 1"); err != nil {
		return nil, err
	}
	s.counting, err = newKeyedHash(master, "lintel counting of rows 1")
	return s, err
}

// IndexKey returns the key of [Sealer.Index]. Whoever changes the master key carries it
// on, since what was hashed is mostly not known any more.
func (s *Sealer) IndexKey() Key { return s.indexKey }

// WithIndex returns a sealer whose [Sealer.Index] is under that key.
func (s *Sealer) WithIndex(key Key) *Sealer {
	t := *s
	t.index, t.indexKey = keyedHashOf(key[:]), key
	return &t
}

func derived(master Key, use string) (cipher.AEAD, error) {
	key, err := hkdf.Key(sha256.New, master[:], nil, use, KeySize)
	if err != nil {
		return nil, fmt.Errorf("deriving a key: %w", err)
	}
	return newAEAD(key)
}

// newAEAD returns AES-256-GCM that puts a random nonce of 96 bits before what
// it seals. SP 800-38D, 8.3, allows 2^32 values under one key that way.
func newAEAD(key []byte) (cipher.AEAD, error) {
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, err
	}
	return cipher.NewGCMWithRandomNonce(block)
}

// Value seals a small value for its place, such as a column and a row's id.
func (s *Sealer) Value(value []byte, place ...string) []byte {
	return s.values.Seal(nil, nil, value, bound(place))
}

// OpenValue opens what Value sealed for the same place. The error is ErrOpen.
func (s *Sealer) OpenValue(sealed []byte, place ...string) ([]byte, error) {
	return open(s.values, sealed, place)
}

// Index returns a number that is the same for the same text, and says nothing
// of the text to whoever lacks the key.
func (s *Sealer) Index(text string) []byte { return s.index.sum([]byte(text)) }

// OwnIndex is Index by the master key alone, whichever key was carried on.
func (s *Sealer) OwnIndex(text string) []byte { return s.own.sum([]byte(text)) }

// Vouch returns HMAC-SHA-256 (FIPS 198-1) of a row as the caller writes it: only
// who has the master key can. [hmac.Equal] compares two.
func (s *Sealer) Vouch(row []byte) []byte { return s.vouching.sum(row) }

// Count returns what a voucher counts for in a sum over rows: a hash of it under
// another key, which is not kept anywhere.
func (s *Sealer) Count(voucher []byte) [32]byte { return [32]byte(s.counting.sum(voucher)) }

// A keyedHash is HMAC-SHA-256 under one key. It keeps hashes that have taken the
// key in, since that costs as much as a short row.
type keyedHash struct{ ready *sync.Pool }

func newKeyedHash(master Key, use string) (keyedHash, error) {
	key, err := hkdf.Key(sha256.New, master[:], nil, use, KeySize)
	if err != nil {
		return keyedHash{}, fmt.Errorf("deriving a key: %w", err)
	}
	return keyedHashOf(key), nil
}

func keyedHashOf(key []byte) keyedHash {
	return keyedHash{&sync.Pool{New: func() any { return hmac.New(sha256.New, key) }}}
}

func (k keyedHash) sum(b []byte) []byte {
	h := k.ready.Get().(hash.Hash)
	defer k.ready.Put(h)
	h.Reset()
	h.Write(b)
	return h.Sum(nil)
}

// Wrap seals a data key for its place, such as the slot that it is kept in.
func (s *Sealer) Wrap(key Key, place ...string) []byte {
	return s.wrapping.Seal(nil, nil, key[:], bound(place))
}

// Unwrap opens what Wrap sealed for the same place. The error is ErrOpen.
func (s *Sealer) Unwrap(wrapped []byte, place ...string) (k Key, err error) {
	key, err := open(s.wrapping, wrapped, place)
	if err != nil || len(key) != KeySize {
		return k, ErrOpen
	}
	defer clear(key)
	return Key(key), nil
}

// Seal seals a content with a data key, for its place.
func (k Key) Seal(content []byte, place ...string) ([]byte, error) {
	aead, err := newAEAD(k[:])
	if err != nil {
		return nil, fmt.Errorf("sealing with a data key: %w", err)
	}
	return aead.Seal(nil, nil, content, bound(place)), nil
}

// Open opens what Seal sealed with the same key for the same place. The error is
// ErrOpen.
func (k Key) Open(sealed []byte, place ...string) ([]byte, error) {
	aead, err := newAEAD(k[:])
	if err != nil {
		return nil, fmt.Errorf("opening with a data key: %w", err)
	}
	return open(aead, sealed, place)
}

func open(aead cipher.AEAD, sealed []byte, place []string) ([]byte, error) {
	value, err := aead.Open(nil, nil, sealed, bound(place))
	if err != nil {
		return nil, ErrOpen
	}
	return value, nil
}

// bound writes a place so that no two places read the same: each part with
// its length before it.
func bound(place []string) (b []byte) {
	for _, part := range place {
		b = binary.BigEndian.AppendUint32(b, uint32(len(part)))
		b = append(b, part...)
	}
	return b
}

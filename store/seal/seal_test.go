package seal

import (
	"bytes"
	"encoding/hex"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func testSealer(t testing.TB, fill byte) *Sealer {
	t.Helper()
	s, err := NewSealer(Key(bytes.Repeat([]byte{fill}, KeySize)))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// Outside: test case 16 of McGrew and Viega, "The Galois/Counter Mode of
// Operation (GCM)", appendix B, the paper NIST SP 800-38D rests on.
func TestAgainstPublishedVector(t *testing.T) {
	aead, err := newAEAD(unhex(t, "feffe9928665731c6d6a8f9467308308feffe9928665731c6d6a8f9467308308"))
	if err != nil {
		t.Fatal(err)
	}
	sealed := unhex(t, "cafebabefacedbaddecaf888"+
		"522dc1f099567d07f47f37a32a84427d643a8cdcbfe5c0c97598a2bd2555d1aa"+
		"8cb08e48590dbb3da7b08b1056828838c5f61e6393ba7a0abcc9f662"+
		"76fc6ece0f4e1768cddf8853bb2d551b")
	want := unhex(t, "d9313225f88406e5a55909c5aff5269a86a7a9531534f7da2e4c303d8a318a72"+
		"1c3c0c95956809532fcf0e2449a6b525b16aedf5aa0de657ba637b39")
	got, err := aead.Open(nil, nil, sealed, unhex(t, "feedfacedeadbeeffeedfacedeadbeefabaddad2"))
	if err != nil || !bytes.Equal(got, want) {
		t.Errorf("opening the published ciphertext: %x, %v", got, err)
	}
}

// Outside: test case 2 of RFC 4231, "Identifiers and Test Vectors for HMAC-SHA-224,
// HMAC-SHA-256, HMAC-SHA-384, and HMAC-SHA-512", from memory.
func TestKeyedHashAgainstPublishedVector(t *testing.T) {
	k := keyedHashOf([]byte("Jefe"))
	want := unhex(t, "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843")
	for range 3 { // a hash that was used is used again
		if got := k.sum([]byte("what do ya want for nothing?")); !bytes.Equal(got, want) {
			t.Errorf("%x, want %x", got, want)
		}
	}
}

// What vouches for a row and what it counts for are of one key, and of two uses of
// it.
func TestVouchAndCount(t *testing.T) {
	s, other := testSealer(t, 1), testSealer(t, 2)
	row := []byte("a row")
	if voucher := s.Vouch(row); bytes.Equal(voucher, other.Vouch(row)) || bytes.Equal(voucher, s.Index("a row")) ||
		bytes.Equal(voucher, s.Vouch([]byte("another"))) || !bytes.Equal(voucher, s.Vouch(row)) {
		t.Errorf("the voucher %x", voucher)
	}
	if count := s.Count(row); bytes.Equal(count[:], s.Vouch(row)) || count == other.Count(row) || count != s.Count(row) {
		t.Errorf("it counts for %x", count)
	}
}

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// What is sealed with a data key opens with that key, wrapped by that master key, for
// those places, and not otherwise.
func TestDataKey(t *testing.T) {
	s, other := testSealer(t, 1), testSealer(t, 2)
	content, key := []byte("what a still holds"), NewKey()
	wrapped := s.Wrap(key, "slot", "7")
	sealed, err := key.Seal(content, "visit", "0")
	if err != nil || len(sealed) != len(content)+Overhead || len(wrapped) != KeySize+Overhead {
		t.Fatalf("%d bytes sealed are %d, a key %d; %v", len(content), len(sealed), len(wrapped), err)
	}
	flip := func(b []byte) []byte {
		b = bytes.Clone(b)
		b[len(b)/2] ^= 1
		return b
	}
	for _, c := range []struct {
		name            string
		s               *Sealer
		sealed, wrapped []byte
		slot            string
		place           []string
		ok              bool
	}{
		{"as sealed", s, sealed, wrapped, "7", []string{"visit", "0"}, true},
		{"another master key", other, sealed, wrapped, "7", []string{"visit", "0"}, false},
		{"another slot", s, sealed, wrapped, "8", []string{"visit", "0"}, false},
		{"another frame", s, sealed, wrapped, "7", []string{"visit", "1"}, false},
		{"another split of the same text", s, sealed, wrapped, "7", []string{"visi", "t0"}, false},
		{"a bit of the content", s, flip(sealed), wrapped, "7", []string{"visit", "0"}, false},
		{"a bit of the wrapped key", s, sealed, flip(wrapped), "7", []string{"visit", "0"}, false},
		{"another key", s, sealed, s.Wrap(NewKey(), "slot", "7"), "7", []string{"visit", "0"}, false},
		{"no key, but a name", s, sealed, s.Value([]byte("Ada Quill"), "slot", "7"), "7", []string{"visit", "0"}, false},
		{"cut short", s, sealed[:len(sealed)-1], wrapped, "7", []string{"visit", "0"}, false},
		{"shorter than a nonce", s, sealed[:5], wrapped, "7", []string{"visit", "0"}, false},
		{"nothing", s, nil, nil, "7", []string{"visit", "0"}, false},
	} {
		k, err := c.s.Unwrap(c.wrapped, "slot", c.slot)
		var got []byte
		if err == nil {
			got, err = k.Open(c.sealed, c.place...)
		}
		if c.ok && (err != nil || !bytes.Equal(got, content)) {
			t.Errorf("%s: %q, %v", c.name, got, err)
		}
		if !c.ok && !errors.Is(err, ErrOpen) {
			t.Errorf("%s: %q, %v, want ErrOpen", c.name, got, err)
		}
	}
	if bytes.Equal(wrapped, s.Wrap(key, "slot", "7")) {
		t.Error("the same wrapped key twice")
	}
}

func TestValueAndIndex(t *testing.T) {
	s, other := testSealer(t, 1), testSealer(t, 2)
	sealed := s.Value([]byte("Ada Quill"), "persons.name", "id")
	if bytes.Contains(sealed, []byte("Ada")) {
		t.Error("a sealed value shows what it holds")
	}
	if got, err := s.OpenValue(sealed, "persons.name", "id"); err != nil || string(got) != "Ada Quill" {
		t.Errorf("OpenValue = %q, %v", got, err)
	}
	if _, err := s.OpenValue(sealed, "persons.name", "another id"); !errors.Is(err, ErrOpen) {
		t.Errorf("in another row: %v", err)
	}
	if _, err := other.OpenValue(sealed, "persons.name", "id"); !errors.Is(err, ErrOpen) {
		t.Errorf("with another key: %v", err)
	}
	if !bytes.Equal(s.Index("ada quill"), s.Index("ada quill")) || bytes.Equal(s.Index("ada quill"), other.Index("ada "+
		"quill")) {
		t.Error("an index is not the same for the same text under one key only")
	}
}

func TestKeyFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "keys", "master.key")
	if _, err := ReadKey(path); !errors.Is(err, ErrNoKey) {
		t.Errorf("without a file: %v, want ErrNoKey", err)
	}
	key := NewKey()
	if err := WriteKey(path, key); err != nil {
		t.Fatal(err)
	}
	if got, err := ReadKey(path); err != nil || got != key {
		t.Errorf("ReadKey = %v, %v", got, err)
	}
	if err := WriteKey(path, NewKey()); !errors.Is(err, fs.ErrExist) {
		t.Errorf("writing over a key: %v, want fs.ErrExist", err)
	}
	if got, _ := ReadKey(path); got != key {
		t.Error("a key was overwritten")
	}
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the key file's mode is %v, %v", info.Mode(), err)
	}
	typed := filepath.Join(t.TempDir(), "typed")
	if err := os.WriteFile(typed, []byte(strings.ToLower(strings.Join(key.Lines(), "\n"))+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if got, err := ReadKey(typed); err != nil || got != key {
		t.Errorf("of the lines of a copy: %v, %v", got, err)
	}
	if err := os.Chmod(path, 0o640); err != nil {
		t.Fatal(err)
	}
	if _, err := ReadKey(path); !errors.Is(err, ErrBadKey) {
		t.Errorf("with mode 0640: %v, want ErrBadKey", err)
	}
	for _, content := range []string{"", "hello", keyMark, keyMark + "AAAA", strings.Repeat("A", 44),
		strings.Join(NewKey().Lines()[:4], "\n")} {
		file := filepath.Join(t.TempDir(), "x")
		if err := os.WriteFile(file, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := ReadKey(file); !errors.Is(err, ErrBadKey) {
			t.Errorf("of %q: %v, want ErrBadKey", content, err)
		}
	}
}

// Outside: the number is what the reference implementation's command (Debian's
// package argon2) prints for these choices: argon2 "sixteen bytes ok" -id -t 3
// -k 65536 -p 4 -l 32 -r. RFC 9106's own vectors use a secret and associated
// data, which golang.org/x/crypto does not take.
func TestKeyOf(t *testing.T) {
	const want = "8b63d9296d268055eecdd1c2fb55ac39493ad55ef4aa05aa39b7cb4eb8efc92d"
	key := KeyOf("four quiet lanterns", []byte("sixteen bytes ok"))
	if got := hex.EncodeToString(key[:]); got != want {
		t.Errorf("KeyOf = %s, want %s", got, want)
	}
	if other := KeyOf("four quiet lanterns", []byte("sixteen bytes no")); other == key {
		t.Error("the salt makes no difference")
	}
}

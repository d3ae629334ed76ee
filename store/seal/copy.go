package seal

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"math/big"
	"strings"
)

// A copy of a master key on paper is five lines. Each is a number in Douglas Crockford's
// Base 32 (https://www.crockford.com/base32.html), which has no letters that look like
// digits, with his check symbol at its end: the number modulo 37, so that any one wrong
// symbol is noticed, and any two neighbours in each other's place.
//
//	1KQ8R 4T0ZW MV5NA  first the line's own number, then 13 symbols, then the check
//
// Lines 1 to 4 hold the key, with a zero before it; line 5 holds the first 65 bits of
// its SHA-256, so that lines of two copies are not taken for one.
const (
	copyLines   = 5
	copySymbols = 13 // of what a line holds
	digits32    = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
	checks37    = digits32 + "*~$=U"
)

// ErrBadCopy says that a copy of a master key was written down or typed wrongly. Such
// an error is a [CopyError].
var ErrBadCopy = errors.New("the copy of the master key has a mistake")

// A CopyError says in which line of a copy the mistake is.
type CopyError struct {
	Line int // from 1 on; 0 where each is right in itself, but not all are of one key
}

func (e CopyError) Error() string {
	if e.Line == 0 {
		return ErrBadCopy.Error() + ": its lines are not of one key"
	}
	return fmt.Sprintf("%v in line %d", ErrBadCopy, e.Line)
}

// Is makes it an [ErrBadCopy].
func (CopyError) Is(target error) bool { return target == ErrBadCopy }

// Text returns a key as its file holds it, for a QR code.
func (k Key) Text() string { return keyMark + base64.StdEncoding.EncodeToString(k[:]) }

// Lines returns a key as lines to write down.
func (k Key) Lines() []string {
	all := symbols(new(big.Int).SetBytes(k[:]), (copyLines-1)*copySymbols)
	all += symbols(keySum(k), copySymbols)
	lines := make([]string, copyLines)
	for i := range lines {
		line := digits32[i+1:i+2] + all[i*copySymbols:(i+1)*copySymbols]
		line += string(checks37[remainder(line)])
		lines[i] = line[:5] + " " + line[5:10] + " " + line[10:]
	}
	return lines
}

// keySum is by what lines of one key belong together.
func keySum(k Key) *big.Int {
	sum := sha256.Sum256(append([]byte("lintel copy of a master key 1 "), k[:]...))
	n := new(big.Int).SetBytes(sum[:])
	return n.Rsh(n, 256-5*copySymbols)
}

// symbols writes a number with so many symbols.
func symbols(n *big.Int, width int) string {
	b := make([]byte, width)
	n, digit, base := new(big.Int).Set(n), new(big.Int), big.NewInt(32)
	for i := range b {
		n.DivMod(n, base, digit)
		b[width-1-i] = digits32[digit.Int64()]
	}
	return string(b)
}

// remainder is the check of a line: its number modulo 37.
func remainder(line string) int {
	r := 0
	for i := range len(line) {
		r = (r*32 + strings.IndexByte(digits32, line[i])) % 37
	}
	return r
}

// likeDigits are what may be read or typed for a digit, as Crockford has it.
var likeDigits = strings.NewReplacer("O", "0", "I", "1", "L", "1", "-", "", " ", "", "\t", "", "\r", "")

// KeyOfCopy reads a copy of a key: the lines that were written down, or the text of the
// QR code. Empty lines, blanks, hyphens and small letters make no difference. The
// error is ErrBadCopy.
func KeyOfCopy(text []byte) (k Key, err error) {
	if bytes.HasPrefix(bytes.TrimSpace(text), []byte(keyMark)) {
		return keyOfText(text)
	}
	n, base := new(big.Int), big.NewInt(32)
	var sum *big.Int
	count := 0
	for line := range strings.Lines(strings.ToUpper(string(text))) {
		line = likeDigits.Replace(strings.TrimSpace(line))
		if line == "" {
			continue
		}
		if count++; count > copyLines || !rightLine(line, count) {
			return k, CopyError{count}
		}
		held := new(big.Int)
		for i := 1; i <= copySymbols; i++ {
			held.Mul(held, base).Add(held, big.NewInt(int64(strings.IndexByte(digits32, line[i]))))
		}
		if count == copyLines {
			sum = held
			break
		}
		n.Lsh(n, 5*copySymbols).Add(n, held)
	}
	if count < copyLines {
		return k, CopyError{count + 1}
	}
	if n.BitLen() > 8*KeySize {
		return k, CopyError{1}
	}
	n.FillBytes(k[:])
	if keySum(k).Cmp(sum) != 0 {
		return Key{}, CopyError{}
	}
	return k, nil
}

// rightLine reports whether it is that line of a copy.
func rightLine(line string, number int) bool {
	if len(line) != copySymbols+2 || line[0] != digits32[number] {
		return false
	}
	held := line[:copySymbols+1]
	for i := range len(held) {
		if strings.IndexByte(digits32, held[i]) < 0 {
			return false
		}
	}
	return line[copySymbols+1] == checks37[remainder(held)]
}

// keyOfText reads what [Key.Text] writes.
func keyOfText(data []byte) (k Key, err error) {
	text, ok := bytes.CutPrefix(bytes.TrimSpace(data), []byte(keyMark))
	raw, err := base64.StdEncoding.DecodeString(string(text))
	if !ok || err != nil || len(raw) != KeySize {
		return k, ErrBadKey
	}
	return Key(raw), nil
}

package seal

import (
	"errors"
	"math/rand/v2"
	"strings"
	"testing"

	"lintel/internal/python"
)

func randomKey(rnd *rand.Rand) (k Key) {
	for i := range k {
		k[i] = byte(rnd.IntN(256))
	}
	return k
}

// What is written down is read again, however it is typed.
func TestCopyIsRead(t *testing.T) {
	rnd := rand.New(rand.NewPCG(20261201, 1))
	keys := []Key{{}, testKeyOf(0xff), testKeyOf(1)}
	for range 500 {
		keys = append(keys, randomKey(rnd))
	}
	for _, k := range keys {
		lines := strings.Join(k.Lines(), "\n")
		for _, typed := range []string{lines, strings.ToLower(lines) + "\n\n", strings.ReplaceAll(lines, " ", "-"),
			"\n " + strings.ReplaceAll(lines, "\n", "\r\n\r\n"), strings.NewReplacer(" ", "", "0", "o", "1", "l").Replace(lines),
			k.Text(), k.Text() + "\n"} {
			if got, err := KeyOfCopy([]byte(typed)); err != nil || got != k {
				t.Fatalf("%q is read as %x, %v, want %x", typed, got, err, k)
			}
		}
	}
}

func testKeyOf(fill byte) (k Key) {
	for i := range k {
		k[i] = fill
	}
	return k
}

// Every wrong symbol and every two neighbours in each other's place are found, in their
// line, as are lines that are missing, doubled, swapped, or of another key.
func TestCopyMistakes(t *testing.T) {
	rnd := rand.New(rand.NewPCG(20261201, 2))
	k, other := randomKey(rnd), randomKey(rnd)
	lines, others := k.Lines(), other.Lines()
	refused := func(line int, typed ...string) {
		t.Helper()
		_, err := KeyOfCopy([]byte(strings.Join(typed, "\n")))
		var wrong CopyError
		if !errors.Is(err, ErrBadCopy) || !errors.As(err, &wrong) || wrong.Line != line {
			t.Fatalf("%q: %v, want a mistake in line %d", typed, err, line)
		}
	}
	for i, line := range lines {
		symbols := []byte(strings.ReplaceAll(line, " ", ""))
		typed := append([]string(nil), lines...)
		for at := range symbols {
			was := symbols[at]
			for _, c := range []byte(checks37 + "?é") {
				if symbols[at] = c; c != was && !(c == 'U' && was == 'U') {
					typed[i] = string(symbols)
					refused(i+1, typed...)
				}
			}
			symbols[at] = was
			if at+1 < len(symbols) && symbols[at] != symbols[at+1] {
				symbols[at], symbols[at+1] = symbols[at+1], symbols[at]
				typed[i] = string(symbols)
				refused(i+1, typed...)
				symbols[at], symbols[at+1] = symbols[at+1], symbols[at]
			}
		}
	}
	refused(1)
	refused(5, lines[:4]...)
	refused(3, lines[0], lines[1], lines[3], lines[4])
	refused(2, lines[0], lines[0], lines[1], lines[2], lines[3])
	refused(1, lines[1], lines[0], lines[2], lines[3], lines[4])
	for i := range lines {
		mixed := append([]string(nil), lines...)
		mixed[i] = others[i]
		refused(0, mixed...)
	}
	if _, err := KeyOfCopy([]byte(keyMark + "AAAA")); !errors.Is(err, ErrBadKey) {
		t.Error(err)
	}
}

// Outside: Python reads each line as a number of base 32, takes it modulo 37, and puts
// the key together; hashlib sums it up. The symbols are Crockford's, from his page.
func TestCopyAgainstPython(t *testing.T) {
	rnd := rand.New(rand.NewPCG(20261201, 3))
	type copied struct {
		Key   Key      `json:"key"`
		Lines []string `json:"lines"`
	}
	var all []copied
	for range 200 {
		k := randomKey(rnd)
		all = append(all, copied{k, k.Lines()})
	}
	var wrong []string
	python.Ask(t, "hashlib", `
import hashlib, json, sys
crockford, checks = "0123456789ABCDEFGHJKMNPQRSTVWXYZ", "0123456789ABCDEFGHJKMNPQRSTVWXYZ*~$=U"
usual = str.maketrans(crockford, "0123456789ABCDEFGHIJKLMNOPQRSTUV")
wrong = []
for one in json.load(sys.stdin):
    key, held = bytes(one["key"]), ""
    for line in one["lines"]:
        text = line.replace(" ", "")
        number = int(text[:-1].translate(usual), 32)
        if checks[number % 37] != text[-1]:
            wrong.append(line)
        held += text[1:-1]
    if int(held[:52].translate(usual), 32) != int.from_bytes(key, "big"):
        wrong.append("key")
    total = int.from_bytes(hashlib.sha256(b"lintel copy of a master key 1 " + key).digest(), "big") >> 191
    if int(held[52:].translate(usual), 32) != total:
        wrong.append("sum")
json.dump(wrong, sys.stdout)`, all, &wrong)
	if len(wrong) > 0 {
		t.Errorf("Python finds wrong: %q", wrong)
	}
}

package evidence

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// keyed gives the reader a key, and forgets what it signed.
func (h *household) keyed() {
	h.t.Helper()
	var err error
	if h.key, err = h.GiveKey(h.t.Context(), h.reader.ID); err != nil {
		h.t.Fatal(err)
	}
	h.counter = 0
}

// signed is the next message of the reader, with a counter.
func (h *household) signed(label string) string {
	h.counter++
	return h.signedAs(label, proof{counter: h.counter})
}

// signedAs is a message with that proof, signed with the reader's key.
func (h *household) signedAs(label string, p proof) string {
	h.t.Helper()
	mac := opensslMAC(h.t, h.key, signedText(h.reader.ID, label, p))
	if p.counter > 0 {
		return fmt.Sprintf(`{"token":%q,"counter":%d,"mac":%q}`, label, p.counter, mac)
	}
	return fmt.Sprintf(`{"token":%q,"time":%d,"nonce":%q,"mac":%q}`, label, p.seconds, p.nonce, mac)
}

// opensslMAC has OpenSSL sign a text.
func opensslMAC(t testing.TB, key, text []byte) string {
	t.Helper()
	path, err := exec.LookPath("openssl")
	if err != nil {
		t.Skip("SKIPPED: there is no openssl to sign with")
	}
	cmd := exec.CommandContext(t.Context(), path, "dgst", "-sha256", "-mac", "HMAC", "-macopt",
		fmt.Sprintf("hexkey:%x", key), "-r")
	cmd.Stdin = bytes.NewReader(text)
	out, err := cmd.Output()
	if err != nil {
		t.Fatal("openssl: ", err)
	}
	mac, _, _ := strings.Cut(string(out), " ")
	return mac
}

// What docs/sources.md says that a reader signs is what is checked, byte by byte.
//
// Outside: the signature is OpenSSL's.
func TestReadmeExample(t *testing.T) {
	key := bytes.Repeat([]byte{0xa5}, 32)
	const source = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
	for _, c := range []struct {
		p    proof
		text string
	}{
		{proof{counter: 42}, "lintel-reader-1\n" + source + "\nbrass key\ncounter 42\n"},
		{proof{seconds: 1801667106, nonce: "k3Jx-9aQ2"}, "lintel-reader-1\n" + source +
			"\nbrass key\ntime 1801667106\nnonce k3Jx-9aQ2\n"},
	} {
		mac := opensslMAC(t, key, []byte(c.text))
		text := fmt.Sprintf(`{"token":"brass key","counter":%d,"mac":%q}`, c.p.counter, mac)
		if c.p.counter == 0 {
			text = fmt.Sprintf("token=brass+key&time=%d&nonce=%s&mac=%s", c.p.seconds, c.p.nonce, strings.ToUpper(mac))
		}
		m, err := parse([]byte(text), house.Reader)
		if err != nil || m.proof == nil {
			t.Fatalf("%s: %v", text, err)
		}
		if !m.proof.signs(key, source, m.token) {
			t.Errorf("%s is not signed", text)
		}
		if m.proof.signs(key, source, "brass ke") || m.proof.signs(key[1:], source, m.token) {
			t.Errorf("%s is signed for something else as well", text)
		}
	}
}

// The example of docs/sources.md is signed as it says.
func TestReadme(t *testing.T) {
	text, err := os.ReadFile("../../../docs/sources.md")
	if err != nil {
		t.Fatal(err)
	}
	example := regexp.MustCompile(`(?s)\{"token": "brass key", "counter": 42,.*?\}`).Find(text)
	m, err := parse(example, house.Reader)
	if err != nil || m.proof == nil {
		t.Fatalf("%q: %v", example, err)
	}
	if !m.proof.signs(bytes.Repeat([]byte{0xa5}, 32), "ABCDEFGHIJKLMNOPQRSTUVWXYZ", m.token) {
		t.Errorf("the example of docs/sources.md is not signed: %s", example)
	}
}

// A step is something that reaches the server, and what comes of it.
type step struct {
	name string
	text string
	want error
}

func (h *household) walk(steps []step) {
	h.t.Helper()
	for _, s := range steps {
		if _, err := h.Message(h.t.Context(), h.reader, "", []byte(s.text)); !errors.Is(err, s.want) {
			h.t.Errorf("%s: %v, want %v", s.name, err, s.want)
		}
	}
}

// A message with a counter counts once, and none that was signed before it.
func TestCounter(t *testing.T) {
	h := newHouse(t)
	h.keyed()
	one, two, five := h.signed("brass"), h.signed("brass"), h.signedAs("brass", proof{counter: 5})
	nobody := h.signedAs("tin", proof{counter: 6})
	h.walk([]step{
		{"the first", one, nil}, {"again, as QoS 1 does", one, ErrReplayed},
		{"a later one", five, nil}, {"one that was overtaken", two, ErrReplayed},
		{"nobody's", nobody, ErrNoToken}, {"nobody's again", nobody, ErrReplayed},
		{"without a signature", `{"token":"brass"}`, ErrUnsigned},
	})
	if m := h.misses(); len(m) != 0 {
		t.Errorf("misses %v of what a network does", m)
	}
	if f := h.factors(); len(f) != 2 || f[0].Strength != house.Ordinary {
		t.Errorf("factors %+v, want two of ordinary strength", f)
	}
	s := h.signing()
	if s.Counter != 6 || s.Skipped != 3 || s.Refused != "reader-unsigned" || !s.RefusedAt.Equal(h.at) {
		t.Errorf("%+v", s)
	}
	// It lost its battery, and counts from 1 again.
	h.counter = 0
	h.walk([]step{{"after the battery", h.signed("brass"), ErrReplayed}})
	h.keyed()
	h.walk([]step{{"with a new key", h.signed("brass"), nil}, {"signed with the key before", five, ErrForged}})
}

// signing is what is known of the reader.
func (h *household) signing() Signing {
	h.t.Helper()
	state, err := h.SourceState(h.t.Context(), h.reader.ID)
	if err != nil {
		h.t.Fatal(err)
	}
	return SigningOf(state)
}

// A message with a time and a nonce counts once, near its time, and is remembered
// over a restart and a clock that is set back.
func TestNonce(t *testing.T) {
	h := newHouse(t)
	h.keyed()
	at := func(d time.Duration, nonce string) string {
		return h.signedAs("brass", proof{seconds: h.at.Add(d).Unix(), nonce: nonce})
	}
	first := at(0, "nonce-one")
	h.walk([]step{
		{"now", first, nil}, {"again", first, ErrReplayed}, {"earlier, another nonce", at(-time.Second, "nonce-two"), nil},
		{"a nonce at another time", at(time.Second, "nonce-one"), ErrReplayed},
		{"the edge of the window", at(ReaderWindow, "nonce-edge"), nil},
		{"beyond it", at(ReaderWindow+time.Second, "nonce-late"), ErrReaderClock},
		{"before it", at(-ReaderWindow-time.Second, "nonce-soon"), ErrReaderClock},
	})
	h.Inbox = NewInbox(h.Archive, func() time.Time { return h.at }) // a restart
	h.walk([]step{{"after a restart", first, ErrReplayed}})
	h.at = h.at.Add(2*ReaderWindow + time.Second)
	h.walk([]step{{"minutes later", first, ErrReaderClock}, {"another", at(0, "nonce-six"), nil}})
	if n := len(h.signing().Nonces); n != 1 {
		t.Errorf("%d nonces are remembered, want 1", n)
	}
	h.at = h.at.Add(-2 * ReaderWindow) // the clock is set back
	h.walk([]step{{"by a clock that was set back", first, ErrReplayed}})
}

// However many nonces come, no more are kept than there is room for.
func TestNoncesBounded(t *testing.T) {
	s, now := Signing{}, time.Unix(1801667106, 0)
	for i := range mostNonces {
		var err error
		if s, err = s.admit(proof{seconds: now.Unix(), nonce: fmt.Sprintf("nonce-%d", i)}, now); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := s.admit(proof{seconds: now.Unix(), nonce: "one-more-"}, now); !errors.Is(err, ErrNonces) {
		t.Errorf("one more: %v, want ErrNonces", err)
	}
	later := now.Add(ReaderWindow + time.Second)
	if s, err := s.admit(proof{seconds: later.Unix(), nonce: "nonce-of-later"}, later); err != nil || len(s.Nonces) != 1 {
		t.Errorf("later: %v, %d remembered", err, len(s.Nonces))
	}
}

// What is cut, prolonged or signed by somebody else does not count; the last is a
// failed attempt about whose token it is.
func TestForged(t *testing.T) {
	h := newHouse(t)
	h.walk([]step{{"no key yet", `{"token":"brass","counter":1,"mac":"` + strings.Repeat("00", 32) + `"}`, ErrNoKey}})
	h.keyed()
	good := h.signed("brass")
	h.walk([]step{
		{"another token", strings.Replace(good, "brass", "copper", 1), ErrForged},
		{"another counter", strings.Replace(good, `"counter":1`, `"counter":2`, 1), ErrForged},
		{"no counter", `{"token":"brass","mac":"` + strings.Repeat("00", 32) + `"}`, ErrNonce},
		{"no signature", `{"token":"brass","counter":1}`, ErrMAC},
		{"a signature that is cut", strings.Replace(good, `"}`, "", 1)[:len(good)-6] + `"}`, ErrMAC},
		{"a counter of 0", strings.Replace(good, `:1,`, `:0,`, 1), ErrCounter},
		{"a counter with a fraction", strings.Replace(good, `:1,`, `:1.0,`, 1), ErrCounter},
		{"a counter beyond", strings.Replace(good, `:1,`, `:9007199254740992,`, 1), ErrCounter},
		{"both", strings.Replace(good, `:1,`, `:1,"nonce":"nonce-one",`, 1), ErrTwice},
		{"a short nonce", `{"token":"brass","time":1801667106,"nonce":"short","mac":"00"}`, ErrNonce},
		{"a time in words", `{"token":"brass","time":"2027-02-03T16:05:06Z","nonce":"nonce-one","mac":"00"}`, ErrTime},
		{"and the good one", good, nil},
	})
	if got := h.misses(); len(got) != 2 || got[0] != "signature" {
		t.Errorf("misses %v, want two of a signature", got)
	}
	all, err := h.MissesSince(t.Context(), h.at.Add(-time.Hour))
	if err != nil || all[0].Whom == all[1].Whom || all[0].By != "source "+h.reader.ID {
		t.Errorf("%+v, %v, want one about each of the two", all, err)
	}
}

// Without a signature a token tells half.
func TestUnsignedIsWeak(t *testing.T) {
	h := newHouse(t)
	h.walk([]step{{"a reader without a key", `{"token":"brass"}`, nil}})
	if f := h.factors(); len(f) != 1 || !f[0].Weak() {
		t.Errorf("factors %+v, want a weak one", f)
	}
	if s := h.signing(); !s.PlainAt.Equal(h.at) || !s.SignedAt.IsZero() {
		t.Errorf("%+v", s)
	}
	h.keyed() // and one with a key that does not use it yet
	h.walk([]step{{"with a key", `{"token":"brass"}`, nil}})
	if f := h.factors(); len(f) != 2 || !f[1].Weak() {
		t.Errorf("factors %+v, want weak ones", f)
	}
}

// No message that is cut, prolonged or changed anywhere is taken for signed.
func FuzzSigned(f *testing.F) {
	key := bytes.Repeat([]byte{7}, 32)
	const source = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
	good := `{"token":"brass","counter":42,"mac":"` +
		"0000000000000000000000000000000000000000000000000000000000000000" + `"}`
	f.Add([]byte(good))
	f.Add([]byte(good[:len(good)/2]))
	f.Add([]byte("token=brass&time=1801667106&nonce=k3Jx-9aQ2&mac=00"))
	f.Fuzz(func(t *testing.T, text []byte) {
		m, err := parse(text, house.Reader)
		if err != nil || m.proof == nil {
			return
		}
		if (m.proof.counter > 0) == (m.proof.nonce != "") || len(m.proof.mac) != 32 {
			t.Errorf("%q: %+v", text, m.proof)
		}
		if m.proof.signs(key, source, m.token) {
			t.Errorf("%q is taken for signed", text)
		}
	})
}

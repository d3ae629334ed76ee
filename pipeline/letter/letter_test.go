package letter

import (
	"bytes"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"lintel/store"
)

var (
	noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	key  = Key(bytes.Repeat([]byte{7}, KeySize))
)

// suggested returns an advice of half past a second of noon, for a minute.
func suggested() store.Advice {
	return store.Advice{
		ID: "ADVICE234", Visit: "VISIT567", Door: "DOOR2", Person: "PERSON77", State: store.Suggested,
		At: noon.Add(time.Second / 2), ExpiresAt: noon.Add(time.Minute + time.Second/2),
		Conditions: []store.Condition{{Code: "match", Met: true, Says: "It resembles Juna."}},
	}
}

func sealed(t testing.TB, a store.Advice) []byte {
	t.Helper()
	text, err := Seal(a, "garden", "gate", key)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// fields are those of a good letter, in their order, to be spoilt.
const fields = `{"version":1,"receiver":"gate","door":"DOOR2","bell":"garden","visit":"VISIT567","action":"suggest",` +
	`"kind":"person","nonce":"00112233445566778899aabbccddeeff","issued_at":"2026-11-25T12:00:00Z","expires_at":"2026-11-25T12:01:00Z"}`

func never(string) bool { return false }

// Outside: RFC 4231, all seven test cases.
func TestMACOfTheRFC(t *testing.T) {
	aa := strings.Repeat("aa", 131)
	for i, c := range []struct{ key, data, want string }{
		{strings.Repeat("0b", 20), hex.EncodeToString([]byte("Hi There")),
			"b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"},
		{hex.EncodeToString([]byte("Jefe")), hex.EncodeToString([]byte("what do ya want for nothing?")),
			"5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"},
		{strings.Repeat("aa", 20), strings.Repeat("dd", 50),
			"773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"},
		{"0102030405060708090a0b0c0d0e0f10111213141516171819", strings.Repeat("cd", 50),
			"82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b"},
		{strings.Repeat("0c", 20), hex.EncodeToString([]byte("Test With Truncation")), // to 128 bits
			"a3b6167473100ee06e0c796c2955552b"},
		{aa, hex.EncodeToString([]byte("Test Using Larger Than Block-Size Key - Hash Key First")),
			"60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"},
		{aa, hex.EncodeToString([]byte("This is a test using a larger than block-size key and a larger than block-size data. " +
			"The key needs to be hashed before being used by the HMAC algorithm.")),
			"9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2"},
	} {
		key, _ := hex.DecodeString(c.key)
		data, _ := hex.DecodeString(c.data)
		if got := hex.EncodeToString(mac(key, data)); got[:len(c.want)] != c.want {
			t.Errorf("test case %d: %s, want %s", i+1, got, c.want)
		}
	}
}

func TestSealAndOpen(t *testing.T) {
	text := sealed(t, suggested())
	got, err := Open(text, "gate", key, noon.Add(2*time.Second), never)
	want := Letter{
		Version: 1, Receiver: "gate", Door: "DOOR2", Bell: "garden", Visit: "VISIT567", Action: "suggest", Kind: Person,
		Nonce: got.Nonce, IssuedAt: noon, ExpiresAt: noon.Add(time.Minute),
	}
	if err != nil || got != want {
		t.Errorf("opened: %+v, %v, want %+v", got, err, want)
	}
	if b, err := hex.DecodeString(got.Nonce); err != nil || len(b) != 16 {
		t.Errorf("the nonce is %q", got.Nonce)
	}
	if again := sealed(t, suggested()); !bytes.Equal(again, text) {
		t.Errorf("sealed again: %s, want %s", again, text)
	}

	parcel := suggested()
	parcel.Person, parcel.Parcel = "", "PARCEL9"
	if l, err := Open(sealed(t, parcel), "gate", key, noon, never); err != nil || l.Kind != Parcel {
		t.Errorf("a parcel: %+v, %v", l, err)
	}
}

// Nothing of a person, and none of the reasons, leaves the server.
func TestNoPersonInALetter(t *testing.T) {
	text := sealed(t, suggested())
	var e envelope
	if err := json.Unmarshal(text, &e); err != nil {
		t.Fatal(err)
	}
	payload, err := base64.StdEncoding.DecodeString(e.Payload)
	if err != nil {
		t.Fatal(err)
	}
	for _, no := range []string{"PERSON77", "Juna", "match", "ADVICE234"} {
		if bytes.Contains(payload, []byte(no)) {
			t.Errorf("%s is in %s", no, payload)
		}
	}
	if want := len(fields); len(payload) != want {
		t.Errorf("%s has %d bytes, want %d", payload, len(payload), want)
	}
}

func TestNonces(t *testing.T) {
	one := suggested()
	other := suggested()
	other.ID = "ADVICE235"
	seen := map[string]bool{}
	for _, n := range []string{nonce(one.ID, key), nonce(other.ID, key), nonce(one.ID, NewKey())} {
		if seen[n] {
			t.Errorf("the nonce %s comes twice", n)
		}
		seen[n] = true
	}
}

func TestNotSealed(t *testing.T) {
	for name, change := range map[string]func(*store.Advice){
		"withheld":            func(a *store.Advice) { a.State = store.Withheld },
		"used":                func(a *store.Advice) { a.State = store.Used },
		"dismissed":           func(a *store.Advice) { a.State = store.Dismissed },
		"expired":             func(a *store.Advice) { a.State = store.Expired },
		"no state":            func(a *store.Advice) { a.State = "" },
		"no id":               func(a *store.Advice) { a.ID = "" },
		"no person":           func(a *store.Advice) { a.Person = "" },
		"a person and parcel": func(a *store.Advice) { a.Parcel = "PARCEL9" },
		"no door":             func(a *store.Advice) { a.Door = "" },
		"no visit":            func(a *store.Advice) { a.Visit = "" },
		"a door with a quote": func(a *store.Advice) { a.Door = `a"b` },
		"a long visit":        func(a *store.Advice) { a.Visit = strings.Repeat("a", 65) },
		"no expiry":           func(a *store.Advice) { a.ExpiresAt = time.Time{} },
		"expiry before":       func(a *store.Advice) { a.ExpiresAt = a.At.Add(-time.Second) },
		"expiry at once":      func(a *store.Advice) { a.ExpiresAt = a.At.Add(time.Second / 3) },
		"expiry in an hour":   func(a *store.Advice) { a.ExpiresAt = a.At.Add(time.Hour) },
		"no time":             func(a *store.Advice) { a.At = time.Time{} },
	} {
		a := suggested()
		change(&a)
		if text, err := Seal(a, "garden", "gate", key); !errors.Is(err, ErrAdvice) || text != nil {
			t.Errorf("%s: %s, %v, want %v", name, text, err, ErrAdvice)
		}
	}
	if text, err := Seal(suggested(), "garden", "gate", Key{}); !errors.Is(err, ErrKey) || text != nil {
		t.Errorf("no key: %s, %v, want %v", text, err, ErrKey)
	}
	for _, names := range [][2]string{{"", "gate"}, {"garden", ""}, {"garden", "Juna's gate"}, {"gärten", "gate"}} {
		if _, err := Seal(suggested(), names[0], names[1], key); !errors.Is(err, ErrAdvice) {
			t.Errorf("bell %q, receiver %q: %v, want %v", names[0], names[1], err, ErrAdvice)
		}
	}
}

func TestRefused(t *testing.T) {
	good := sealed(t, suggested())
	with := func(old, new string) []byte {
		text := strings.Replace(fields, old, new, 1)
		if text == fields && old != new {
			t.Fatalf("%s is not in a letter", old)
		}
		return enclose([]byte(text), key)
	}
	later := func(by time.Duration) time.Time { return noon.Add(by) }
	for _, c := range []struct {
		name     string
		text     []byte
		receiver string
		key      Key
		now      time.Time
		want     error
	}{
		{"good", good, "gate", key, noon, nil},
		{"good, written by hand", with("", ""), "gate", key, noon, nil},
		{"just before it expires", good, "gate", key, later(time.Minute - 1), nil},
		{"as it expires", good, "gate", key, later(time.Minute), ErrExpired},
		{"a day later", good, "gate", key, later(24 * time.Hour), ErrExpired},
		{"30 s early", good, "gate", key, later(-30 * time.Second), nil},
		{"31 s early", good, "gate", key, later(-31 * time.Second), ErrFuture},
		{"by a clock that was never set", good, "gate", key, time.Unix(0, 0), ErrFuture},
		{"another receiver", good, "garage", key, noon, ErrReceiver},
		{"another key", good, "gate", NewKey(), noon, ErrMAC},
		{"no key", enclose([]byte(fields), Key{}), "gate", Key{}, noon, ErrKey},
		{"version 2", with(`"version":1`, `"version":2`), "gate", key, noon, ErrVersion},
		{"version 2 with other fields", enclose([]byte(`{"version":2,"to":"gate"}`), key), "gate", key, noon, ErrVersion},
		{"no version", enclose([]byte(`{}`), key), "gate", key, noon, ErrVersion},
		{"version in words", with(`"version":1`, `"version":"1"`), "gate", key, noon, ErrLetter},
		{"another action", with("suggest", "open"), "gate", key, noon, ErrLetter},
		{"another kind", with("person", "animal"), "gate", key, noon, ErrLetter},
		{"another field", with(`"kind"`, `"loud":true,"kind"`), "gate", key, noon, ErrLetter},
		{"a field twice", with(`"kind"`, `"kind":"parcel","kind"`), "gate", key, noon, ErrLetter},
		{"a field in capitals", with(`"kind"`, `"Kind"`), "gate", key, noon, ErrLetter},
		{"a field less", with(`"action":"suggest",`, ``), "gate", key, noon, ErrLetter},
		{"null", with(`"DOOR2"`, `null`), "gate", key, noon, ErrLetter},
		{"a blank", with(`,"kind"`, `, "kind"`), "gate", key, noon, ErrLetter},
		{"something after it", with(`"}`, `"} `), "gate", key, noon, ErrLetter},
		{"a short nonce", with("00112233", ""), "gate", key, noon, ErrLetter},
		{"a nonce in capitals", with("aabb", "AABB"), "gate", key, noon, ErrLetter},
		{"another zone", with("12:00:00Z", "13:00:00+01:00"), "gate", key, noon, ErrLetter},
		{"parts of a second", with("12:00:00Z", "12:00:00.5Z"), "gate", key, noon, ErrLetter},
		{"it holds too long", with("12:01:00Z", "12:05:01Z"), "gate", key, noon, ErrLetter},
		{"it holds 5 minutes", with("12:01:00Z", "12:05:00Z"), "gate", key, noon, nil},
		{"it ends before it begins", with("12:01:00Z", "11:59:00Z"), "gate", key, noon, ErrLetter},
		{"not JSON within", enclose([]byte("open"), key), "gate", key, noon, ErrLetter},
		{"nothing within", enclose(nil, key), "gate", key, noon, ErrLetter},
		{"a list within", enclose([]byte("[1]"), key), "gate", key, noon, ErrLetter},
		{"not base64 within", fmt.Appendf(nil, `{"payload":"@","mac":"%s"}`, macText("@", key)), "gate", key, noon, ErrLetter},
		{"the mac in capitals", fmt.Appendf(nil, `{"payload":"","mac":"%s"}`, strings.ToUpper(macText("", key))), "gate", key, noon, ErrMAC},
		{"half a mac", fmt.Appendf(nil, `{"payload":"","mac":"%s"}`, macText("", key)[:32]), "gate", key, noon, ErrMAC},
		{"no mac", []byte(`{"payload":"","mac":""}`), "gate", key, noon, ErrMAC},
		{"nothing", nil, "gate", key, noon, ErrLetter},
		{"an empty object", []byte(`{}`), "gate", key, noon, ErrLetter},
		{"null alone", []byte(`null`), "gate", key, noon, ErrLetter},
		{"a field more outside", bytes.Replace(good, []byte(`{`), []byte(`{"x":1,`), 1), "gate", key, noon, ErrLetter},
		{"something after it outside", append(bytes.Clone(good), good...), "gate", key, noon, ErrLetter},
		{"too long", append(bytes.Clone(good), bytes.Repeat([]byte(" "), Largest)...), "gate", key, noon, ErrLetter},
	} {
		asked := 0
		_, err := Open(c.text, c.receiver, c.key, c.now, func(string) bool { asked++; return false })
		if !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
		if (err == nil) != (asked == 1) {
			t.Errorf("%s: the nonce was asked for %d times", c.name, asked)
		}
	}
}

func TestSeenBefore(t *testing.T) {
	text, seen := sealed(t, suggested()), map[string]bool{}
	remember := func(nonce string) bool {
		before := seen[nonce]
		seen[nonce] = true
		return before
	}
	for i, want := range []error{nil, ErrSeen, ErrSeen} {
		if _, err := Open(text, "gate", key, noon.Add(time.Duration(i)*time.Second), remember); !errors.Is(err, want) {
			t.Errorf("time %d: %v, want %v", i+1, err, want)
		}
	}
	// A letter of the same advice that was sealed anew is the same letter.
	if _, err := Open(sealed(t, suggested()), "gate", key, noon, remember); !errors.Is(err, ErrSeen) {
		t.Errorf("sealed anew: %v, want %v", err, ErrSeen)
	}
}

// Each bit of a letter counts.
func TestAltered(t *testing.T) {
	good := sealed(t, suggested())
	for i := range good {
		for bit := range 8 {
			text := bytes.Clone(good)
			text[i] ^= 1 << bit
			if l, err := Open(text, "gate", key, noon, never); err == nil {
				t.Errorf("bit %d of byte %d is of no matter: %+v", bit, i, l)
			}
		}
		if _, err := Open(good[:i], "gate", key, noon, never); err == nil {
			t.Errorf("the first %d bytes are enough", i)
		}
	}
}

func TestKeys(t *testing.T) {
	k := NewKey()
	if k == NewKey() || k == (Key{}) {
		t.Fatal("a new key is one that was there before")
	}
	for _, text := range []string{k.Text(), k.Text() + "\n"} {
		if got, err := ParseKey(text); err != nil || got != k {
			t.Errorf("ParseKey: %v", err)
		}
	}
	for _, text := range []string{"", keyMark, Key{}.Text(), k.Text()[:60], k.Text() + "A", strings.TrimPrefix(k.Text(), keyMark), "lintel-master-key-1 " + k.Text()[len(keyMark):]} {
		if _, err := ParseKey(text); !errors.Is(err, ErrKey) {
			t.Errorf("ParseKey(%q): %v, want %v", text, err, ErrKey)
		}
	}
	if shown := fmt.Sprintf("%v %+v %#v %s", k, k, k, k); shown != "(key) (key) (key) (key)" {
		t.Errorf("printed, a key is %s", shown)
	}
}

// FuzzOpen checks that nothing is opened but what was sealed, and that once.
// Payloads are given the right mac, or nothing would come as far as them.
func FuzzOpen(f *testing.F) {
	good, err := Seal(suggested(), "garden", "gate", key)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good, false)
	f.Add([]byte(fields), true)
	f.Add([]byte(`{"version":1}`), true)
	f.Add([]byte(`{"payload":"","mac":""}`), false)
	f.Fuzz(func(t *testing.T, text []byte, payload bool) {
		letter := text
		if payload {
			letter = enclose(text, key)
		}
		asked := 0
		l, err := Open(letter, "gate", key, noon, func(string) bool { asked++; return false })
		if err != nil {
			if asked != 0 || l != (Letter{}) {
				t.Errorf("with %v: %+v, asked %d times", err, l, asked)
			}
			return
		}
		if !payload && !bytes.Equal(letter, good) {
			t.Errorf("%s was opened, and nobody sealed it", letter)
		}
		if asked != 1 || l.Receiver != "gate" || l.Action != Action || l.IssuedAt.After(noon.Add(Skew)) ||
			!l.ExpiresAt.After(noon) || l.ExpiresAt.Sub(l.IssuedAt) > Longest {
			t.Errorf("%+v was opened, asked %d times", l, asked)
		}
		if again, err := json.Marshal(l); err != nil || payload && !bytes.Equal(again, text) {
			t.Errorf("%s was opened, and is written as %s, %v", text, again, err)
		}
		if _, err := Open(letter, "gate", key, noon, func(string) bool { return true }); !errors.Is(err, ErrSeen) {
			t.Errorf("a second time: %v, want %v", err, ErrSeen)
		}
	})
}

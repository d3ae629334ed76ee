package message

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

	"lintel/internal/house"
)

var (
	noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	key  = Key(bytes.Repeat([]byte{7}, KeySize))
)

// suggested returns an advice of half past a second of noon, for a minute.
func suggested() house.Advice {
	return house.Advice{
		ID: "ADVICE234", Visit: "VISIT567", Door: "DOOR2", Person: "PERSON77", State: house.Suggested,
		At: noon.Add(time.Second / 2), ExpiresAt: noon.Add(time.Minute + time.Second/2),
		Conditions: []house.Condition{{Code: "match", Met: true,
			Reasons: []house.Reason{{Code: "match", Values: house.Values{Person: "PERSON77"}}}}},
	}
}

func sealed(t testing.TB, a house.Advice) []byte {
	t.Helper()
	text, err := Sign(a, "garden", "gate", key)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// fields are those of a good message, in their order, to be spoilt.
const fields = `{"version":1,"receiver":"gate","door":"DOOR2","bell":"garden","visit":"VISIT567","action":"suggest",` +
	`"kind":"person","nonce":"00112233445566778899aabbccddeeff","issued_at":"2026-11-25T12:00:00Z",` +
	`"expires_at":"2026-11-25T12:01:00Z"}`

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
		{aa, hex.EncodeToString([]byte("This is a test using a larger than block-size key and a larger than " +
			"block-size data. " +
			"" +
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

// opened reads a message, with the mac as Python or anybody else would check it:
// TestReceiverActsOnce has that done.
func opened(t *testing.T, text []byte) (l Message) {
	t.Helper()
	var e envelope
	if err := json.Unmarshal(text, &e); err != nil {
		t.Fatal(err)
	}
	if e.MAC != hex.EncodeToString(mac(key[:], []byte(e.Payload))) {
		t.Errorf("the mac of %s is another", text)
	}
	payload, err := base64.StdEncoding.DecodeString(e.Payload)
	if err == nil {
		err = json.Unmarshal(payload, &l)
	}
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func TestSeal(t *testing.T) {
	text := sealed(t, suggested())
	got := opened(t, text)
	want := Message{
		Version: 1, Receiver: "gate", Door: "DOOR2", Bell: "garden", Visit: "VISIT567", Action: "suggest", Kind: Person,
		Nonce: got.Nonce, IssuedAt: noon, ExpiresAt: noon.Add(time.Minute),
	}
	if got != want {
		t.Errorf("opened: %+v, want %+v", got, want)
	}
	if b, err := hex.DecodeString(got.Nonce); err != nil || len(b) != 16 {
		t.Errorf("the nonce is %q", got.Nonce)
	}
	if again := sealed(t, suggested()); !bytes.Equal(again, text) {
		t.Errorf("sealed again: %s, want %s", again, text)
	}

	parcel := suggested()
	parcel.Person, parcel.Parcel = "", "PARCEL9"
	if l := opened(t, sealed(t, parcel)); l.Kind != Parcel {
		t.Errorf("a parcel: %+v", l)
	}
}

// TestWithdrawal holds that what withdraws a message names it by its nonce.
func TestWithdrawal(t *testing.T) {
	for _, state := range []house.AdviceState{house.Withdrawn, house.Dismissed} {
		a := suggested()
		a.State, a.EndedAt = state, noon.Add(20*time.Second+time.Second/2)
		got, want := opened(t, sealed(t, a)), opened(t, sealed(t, suggested()))
		want.Action, want.IssuedAt = Withdraw, noon.Add(20*time.Second)
		if got != want {
			t.Errorf("%s: %+v, want %+v", state, got, want)
		}
	}
}

func TestTestMessage(t *testing.T) {
	r := house.Receiver{ID: "gate", Door: "DOOR2", Key: key[:]}
	text, err := SignTest(r, noon)
	if err != nil {
		t.Fatal(err)
	}
	got := opened(t, text)
	want := Message{Version: 1, Receiver: "gate", Door: "DOOR2", Bell: "test", Visit: "test", Action: Test, Kind: Nothing,
		Nonce: got.Nonce, IssuedAt: noon, ExpiresAt: noon.Add(time.Minute)}
	if got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	again, err := SignTest(r, noon)
	if err != nil || bytes.Equal(again, text) {
		t.Errorf("again the same, %v", err)
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
	for _, n := range []string{nonce(one.ID, key), nonce(other.ID, key), nonce(one.ID, Key{1})} {
		if seen[n] {
			t.Errorf("the nonce %s comes twice", n)
		}
		seen[n] = true
	}
}

func TestNotSealed(t *testing.T) {
	for name, change := range map[string]func(*house.Advice){
		"withheld":             func(a *house.Advice) { a.State = house.Withheld },
		"used":                 func(a *house.Advice) { a.State = house.Used },
		"dismissed, no moment": func(a *house.Advice) { a.State = house.Dismissed },
		"withdrawn at its end": func(a *house.Advice) { a.State, a.EndedAt = house.Withdrawn, a.ExpiresAt },
		"expired":              func(a *house.Advice) { a.State = house.Expired },
		"no state":             func(a *house.Advice) { a.State = "" },
		"no id":                func(a *house.Advice) { a.ID = "" },
		"no person":            func(a *house.Advice) { a.Person = "" },
		"a person and parcel":  func(a *house.Advice) { a.Parcel = "PARCEL9" },
		"no door":              func(a *house.Advice) { a.Door = "" },
		"no visit":             func(a *house.Advice) { a.Visit = "" },
		"a door with a quote":  func(a *house.Advice) { a.Door = `a"b` },
		"a long visit":         func(a *house.Advice) { a.Visit = strings.Repeat("a", 65) },
		"no expiry":            func(a *house.Advice) { a.ExpiresAt = time.Time{} },
		"expiry before":        func(a *house.Advice) { a.ExpiresAt = a.At.Add(-time.Second) },
		"expiry at once":       func(a *house.Advice) { a.ExpiresAt = a.At.Add(time.Second / 3) },
		"expiry in an hour":    func(a *house.Advice) { a.ExpiresAt = a.At.Add(time.Hour) },
		"no time":              func(a *house.Advice) { a.At = time.Time{} },
	} {
		a := suggested()
		change(&a)
		if text, err := Sign(a, "garden", "gate", key); !errors.Is(err, ErrAdvice) || text != nil {
			t.Errorf("%s: %s, %v, want %v", name, text, err, ErrAdvice)
		}
	}
	if text, err := Sign(suggested(), "garden", "gate", Key{}); !errors.Is(err, ErrKey) || text != nil {
		t.Errorf("no key: %s, %v, want %v", text, err, ErrKey)
	}
	for _, names := range [][2]string{{"", "gate"}, {"garden", ""}, {"garden", "Juna's gate"}, {"gärten", "gate"}} {
		if _, err := Sign(suggested(), names[0], names[1], key); !errors.Is(err, ErrAdvice) {
			t.Errorf("bell %q, receiver %q: %v, want %v", names[0], names[1], err, ErrAdvice)
		}
	}
}

func TestKeys(t *testing.T) {
	if text := key.Text(); text != "lintel-receiver-key-1 "+base64.StdEncoding.EncodeToString(key[:]) {
		t.Errorf("a key's text is %q", text)
	}
	if shown := fmt.Sprintf("%v %+v %#v %s", key, key, key, key); shown != "(key) (key) (key) (key)" {
		t.Errorf("printed, a key is %s", shown)
	}
}

package web

import (
	"errors"
	"net/url"
	"strings"
	"testing"
)

// TestExpectedPasswords tries passwords that are tried first. NIST SP 800-63B,
// 3.1.1.2, names the kinds: commonly used, from dictionaries, of repeated or
// consecutive characters, and of the name of the service or the user. The common
// ones are of the list that zxcvbn has of leaked passwords; the others are ours.
func TestExpectedPasswords(t *testing.T) {
	weak := []string{
		"password12", "Password123!", "P@ssw0rd2026", "1234567890", "qwertyuiop", "letmein2024", "iloveyou123",
		"          ", "aaaaaaaaaaaa", "abcabcabcabc", "abcdefghijkl", "0987654321", "zxcvbnm,./", "1qaz2wsx3edc",
		"Odile12345", "odileodile", "OdileOdile!", "OdileMarchand", "marchand1987", "lintel2026", "doorbell123",
		"sunshine11", "football99", "19871987198", "04.05.2031", "princess!!", strings.Repeat("u", 256),
		"\xff\xfe\xff\xfe\xff\xfe\xff\xfe\xff\xfe", // no UTF-8, which no keyboard types
	}
	for _, p := range weak {
		if err := complaint("Odile Marchand", p, p); !errors.Is(err, errPasswordCommon) {
			t.Errorf("%q: %v", p, err)
		}
	}
	strong := []string{password, "correct goose lantern pebble", "kT7#vq-Lm2x", "wolke-fenster-gabel",
		"die Katze frisst Heu am Montag", "ñandú verde en la cocina", "雨の日は猫と本を読む",
		strings.Repeat("brick pond ", 23)}
	for _, p := range strong {
		if err := complaint("Odile Marchand", p, p); err != nil {
			t.Errorf("%q: %v", p, err)
		}
	}
}

// TestOldPasswordsStay signs somebody in by a password that nobody may choose any
// more.
func TestOldPasswordsStay(t *testing.T) {
	h := newHouse(t)
	const old = "password12"
	hash, err := h.hashPassword(t.Context(), h.secret(old))
	if err != nil {
		t.Fatal(err)
	}
	h.residentWith("Odile", hash)
	h.post("/sign-in", url.Values{"name": {"Odile"}, "password": {old}}).is(303)
}

// BenchmarkExpected weighs passwords that are made to take long.
func BenchmarkExpected(b *testing.B) {
	for _, p := range []string{"a", "p@ssw0rd", "1@4$", "qwerty2031", "\u0301"} {
		long := strings.Repeat(p, maxPassword/len(p))
		b.Run(p, func(b *testing.B) {
			for b.Loop() {
				expected(strings.Repeat("a b ", 15), long)
			}
		})
	}
}

package web

import (
	"context"
	"crypto/sha256"
	"crypto/x509"
	"encoding/hex"
	"encoding/pem"
	"net/http"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/web/certificate"
)

// withCertificates is a house with an authority of its own.
func withCertificates(t *testing.T) (*household, certificate.State) {
	t.Helper()
	var kept house.Certificates
	began := time.Date(2031, 5, 4, 0, 0, 0, 0, time.UTC)
	if err := certificate.Make(&kept, []string{"door.local"}, began); err != nil {
		t.Fatal(err)
	}
	state, err := certificate.StateOf(kept)
	if err != nil {
		t.Fatal(err)
	}
	return newHouse(t, func(c *Config) {
		c.TLS = true
		c.Certificates = func(context.Context) (certificate.State, error) { return state, nil }
	}), state
}

// A device that is to trust the house needs no session. Outside: the fingerprint is
// computed anew with crypto/sha256 over the certificate, as it is served, decoded by
// encoding/pem.
func TestTrust(t *testing.T) {
	h, state := withCertificates(t)
	a := h.get("/trust/authority.crt").is(200)
	if got := a.Header.Get("Content-Type"); got != "application/x-x509-ca-cert" {
		t.Errorf("Content-Type %q", got)
	}
	block, rest := pem.Decode(a.body)
	if block == nil || block.Type != "CERTIFICATE" || len(rest) > 0 {
		t.Fatalf("served %q", a.body)
	}
	if c, err := x509.ParseCertificate(block.Bytes); err != nil || !c.IsCA || !c.Equal(state.Authority) {
		t.Errorf("served %v, %v", c, err)
	}
	sum := sha256.Sum256(block.Bytes)
	print := strings.ToUpper(hex.EncodeToString(sum[:]))
	page := h.get("/trust").is(200).says(`href="/trust/authority.crt"`).says("http://").says("4 May 2041")
	checkMarkup(t, string(page.body))
	if !strings.Contains(strings.ReplaceAll(string(page.body), ":", ""), print) {
		t.Errorf("the page lacks the fingerprint %s", print)
	}
	upkeep := h.get("/upkeep/connection", h.session(h.resident("Odile"))).is(200).says("4 May 2033").says("ends 4 May 2041").
		says(`href="/trust"`)
	checkMarkup(t, string(upkeep.body))
}

// The end of the authority is told a year before, that of a certificate which the
// household brings two weeks before.
func TestCertificateEnds(t *testing.T) {
	h, state := withCertificates(t)
	in := h.session(h.resident("Odile"))
	own := state
	own.Authority = nil
	for _, test := range []struct {
		state certificate.State
		left  time.Duration
		says  string // "" for no warning
	}{
		{state, 366 * 24 * time.Hour, ""},
		{state, 364 * 24 * time.Hour, "The authority ends within a year."},
		{own, 15 * 24 * time.Hour, ""},
		{own, 13 * 24 * time.Hour, "It ends within two weeks."},
	} {
		shown := test.state
		ends := *shown.Server
		if shown.Authority != nil {
			ends = *shown.Authority
		}
		ends.NotAfter = h.clock.now().Add(test.left)
		if shown.Authority != nil {
			shown.Authority = &ends
		} else {
			shown.Server = &ends
		}
		h.Certificates = func(context.Context) (certificate.State, error) { return shown, nil }
		page := h.get("/upkeep/connection", in).is(200)
		if test.says != "" {
			page.says(test.says)
		} else if strings.Contains(string(page.body), "It ends within") ||
			strings.Contains(string(page.body), "ends within a year") {
			t.Errorf("%v before the end there is a warning", test.left)
		}
	}
}

func TestTrustWithoutAuthority(t *testing.T) {
	h := newHouse(t)
	h.get("/trust").isProblem(404, "no-authority")
	h.get("/trust/authority.crt").isProblem(404, "no-authority")
	h.get("/upkeep/connection", h.session(h.resident("Odile"))).is(200).says("Pages come without TLS.").says("whatever its port")
}

// Outside: RFC 6797, section 7.2 (not without TLS) and 8.1.1 (not of an address).
// That localhost is let be is a choice of this project's.
func TestInsistence(t *testing.T) {
	for _, tls := range []bool{true, false} {
		h := newHouse(t, func(c *Config) { c.TLS = tls })
		for host, want := range map[string]bool{
			"door.local": true, "door.local:8420": true, "192.168.7.9": false, "192.168.7.9:8420": false,
			"[fd00::7]:8420": false, "[fd00::7]": false, "localhost:8420": false, "LOCALHOST": false, "": false,
		} {
			a := h.get("/healthz", func(r *http.Request) { r.Host = host })
			got := a.Header.Get("Strict-Transport-Security")
			if (got != "") != (want && tls) || got != "" && got != "max-age=86400" {
				t.Errorf("TLS %t, %q: %q", tls, host, got)
			}
		}
	}
}

func TestReachedBy(t *testing.T) {
	names := []string{"localhost", "pi.local", "127.0.0.1", "fd00::7", "192.168.7.9"}
	for host, want := range map[string]string{
		"localhost:8420": "192.168.7.9:8420", "127.0.0.1:8420": "192.168.7.9:8420", "[::1]:8420": "192.168.7.9:8420",
		"localhost": "192.168.7.9", "pi.local:8420": "pi.local:8420", "192.168.7.9": "192.168.7.9",
	} {
		if got := reachedBy(host, names); got != want {
			t.Errorf("%s is %s elsewhere, want %s", host, got, want)
		}
	}
	if got := reachedBy("localhost:1", names[:1]); got != "localhost:1" {
		t.Errorf("where there is no other name: %s", got)
	}
	if got := reachedBy("localhost:1", names[:4]); got != "[fd00::7]:1" {
		t.Errorf("by IPv6: %s", got)
	}
}

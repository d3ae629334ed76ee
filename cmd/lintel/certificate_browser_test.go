package main

import (
	"crypto/sha256"
	"encoding/base64"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"lintel/store"
	"lintel/store/seal"
	"lintel/web/certificate"
)

// A browser that does not trust the house is kept out, finds how to trust it in
// plain text, and comes in once it does. Outside: Chromium, which trusts what is
// signed with the public key whose SHA-256 it is told, and nothing else of ours.
func TestBrowserWithCertificate(t *testing.T) {
	h := newHousehold(t)
	secret := h.lintel("bell", "add", "Front door")
	h.lintel("certificate")
	c := newClient(t, h.lintel("certificate", "show", "--pem"))
	h.serve()
	defer h.stop()

	stranger := newBrowser(t, 400, 800)
	if _, err := chromedp.Run(stranger, chromedp.Navigate(h.url+"/sign-in")); err == nil ||
		!strings.Contains(err.Error(), "ERR_CERT_AUTHORITY_INVALID") {
		t.Errorf("without trust: %v", err)
	}
	plain := strings.Replace(h.url, "https://localhost", "http://127.0.0.1", 1)
	do(t, stranger, chromedp.Navigate(plain+"/trust"))
	see(t, stranger, "#fingerprint", `^([0-9A-F]{2}:){31}[0-9A-F]{2}$`)
	tall := chromedp.EmulateViewport(400, 2600)
	do(t, stranger, tall)
	screenshot(t, stranger, "trust-narrow")

	trusting := newBrowser(t, 1280, 1700, chromedp.Flag("ignore-certificate-errors-spki-list", h.publicKey()))
	do(t, trusting, chromedp.Navigate(plain+"/sign-in")) // is led to TLS
	see(t, trusting, "h1", "Sign in")
	if at := do(t, trusting, chromedp.Location()); !strings.HasPrefix(at, "https://127.0.0.1:") {
		t.Errorf("it is at %s", at)
	}
	do(t, trusting, chromedp.Navigate(h.link))
	fill(t, trusting, "name", "Morgan Vale", "password", "a very quiet lantern", "again", "a very quiet lantern")
	see(t, trusting, "#nobody", "Nobody has rung yet")
	status, _, answer := c.ask(h.url+"/api/v1/bells/front-door/stills", "-H", "Authorization: Bearer "+secret,
		"-H", "Content-Type: image/jpeg", "-H", "Lintel-Ring: R1", "-H", "Lintel-Frame: 0",
		"--data-binary", "@"+aVisitorsFile(t))
	if status != "201" {
		t.Fatalf("ringing: %s %s", status, answer)
	}
	see(t, trusting, "#visits", "Front door") // by live events, over WebSocket
	do(t, trusting, chromedp.Navigate(h.url+"/upkeep/connection"))
	see(t, trusting, "#tls", "Pages come by TLS.*certificate is good until")
	screenshot(t, trusting, "upkeep-tls")
	do(t, trusting, chromedp.EmulateViewport(400, 3000))
	screenshot(t, trusting, "upkeep-tls-narrow")
	do(t, trusting, chromedp.EmulateViewport(1280, 1700))
	click(t, trusting, `#tls a[href="/trust"]`)
	see(t, trusting, "h1", "Trust this house")
	screenshot(t, trusting, "trust")
}

// publicKey is the SHA-256 of the server's public key, as Chromium takes it.
func (h *household) publicKey() string {
	h.t.Helper()
	key, err := seal.ReadKey(h.key)
	if err != nil {
		h.t.Fatal(err)
	}
	a, err := store.Open(h.t.Context(), h.data, key, time.Now)
	if err != nil {
		h.t.Fatal(err)
	}
	defer a.Close()
	kept, err := a.Certificates(h.t.Context())
	if err != nil {
		h.t.Fatal(err)
	}
	state, err := certificate.StateOf(kept)
	if err != nil {
		h.t.Fatal(err)
	}
	sum := sha256.Sum256(state.Server.RawSubjectPublicKeyInfo)
	return base64.StdEncoding.EncodeToString(sum[:])
}

package main

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/store"
	"lintel/store/seal"
	"lintel/web/certificate"
)

// A client is curl with the authority of a house.
type client struct {
	t  *testing.T
	ca string
}

// newClient has curl, or skips the test aloud: `make test` installs it on Debian.
func newClient(t *testing.T, pem string) client {
	t.Helper()
	if _, err := exec.LookPath("curl"); err != nil {
		t.Skip("SKIPPED: there is no curl here, so nothing was checked against it")
	}
	path := filepath.Join(t.TempDir(), "lintel-house.crt")
	if err := os.WriteFile(path, []byte(pem+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return client{t, path}
}

// ask returns the status of an answer, what it leads to, and its body.
func (c client) ask(args ...string) (status, to, body string) {
	c.t.Helper()
	out, err := exec.CommandContext(c.t.Context(), "curl", append([]string{"--silent", "--noproxy", "*", "--cacert", c.ca,
		"--write-out", "\n%{http_code} %{redirect_url}"}, args...)...).Output()
	if err != nil {
		return err.Error(), "", ""
	}
	i := strings.LastIndex(string(out), "\n")
	status, to, _ = strings.Cut(string(out[i+1:]), " ")
	return status, to, string(out[:i])
}

// One command gives the server TLS; what it prints of the authority is what the
// server serves; plain text is led to TLS and tells nothing. Outside: curl, with the
// authority as its only one.
func TestServeWithCertificate(t *testing.T) {
	h := newHousehold(t)
	secret := h.lintel("bell", "add", "gate")
	_, port, _ := net.SplitHostPort(h.listen)
	var made struct {
		Names     []string
		Trust     string
		Authority struct{ SHA256 string }
	}
	if err := json.Unmarshal([]byte(h.lintel("certificate", "pi.local", "--port", port, "--json")), &made); err != nil {
		t.Fatal(err)
	}
	if !slices.Contains(made.Names, "pi.local") || !slices.Contains(made.Names, "127.0.0.1") ||
		!strings.HasSuffix(made.Trust, ":"+port+"/trust") {
		t.Errorf("made %+v", made)
	}
	pem := h.lintel("certificate", "show", "--pem")
	c := newClient(t, pem)
	h.serve()
	defer h.stop()
	if !strings.HasPrefix(h.url, "https://localhost:") || !strings.HasPrefix(h.link, "https://") {
		t.Errorf("serves on %s, link %s", h.url, h.link)
	}
	plain := strings.Replace(h.url, "https", "http", 1)
	pi := []string{"--resolve", "pi.local:" + port + ":127.0.0.1", "https://pi.local:" + port}
	for _, test := range []struct {
		args         []string
		status, says string
	}{
		{[]string{h.url + "/healthz"}, "200", "up"},
		{append(pi[:2:2], pi[2]+"/healthz"), "200", "up"},
		{[]string{h.url + "/trust"}, "200", made.Authority.SHA256},
		{[]string{h.url + "/sign-in", "-H", "Accept: text/html"}, "200", "password"},
		{[]string{h.url + "/api/v1/visits"}, "401", "not-signed-in"},
		{[]string{plain + "/trust"}, "200", made.Authority.SHA256},
		{[]string{plain + "/trust/authority.crt"}, "200", pem},
		{[]string{plain + "/assets/style.css"}, "200", ""},
		{[]string{plain + "/sign-in", "-H", "Accept: text/html"}, "307", ""},
		{[]string{plain + "/", "-H", "Cookie: lintel_session=x"}, "403", "tls-only"},
		{[]string{plain + "/api/v1/visits", "-H", "Accept: text/html"}, "403", "tls-only"},
		{[]string{plain + "/api/v1/bells/gate/stills", "-H", "Authorization: Bearer " + secret, "-H", "Lintel-Ring: r",
			"-H", "Lintel-Frame: 0", "-H", "Content-Type: image/jpeg", "--data-binary", "x"}, "403", "replace that"},
		{[]string{plain + "/sign-in", "-d", "name=a&password=b"}, "403", "tls-only"},
	} {
		status, to, body := c.ask(test.args...)
		if status != test.status || !strings.Contains(body, test.says) {
			t.Errorf("%v: %s %s, want %s %s", test.args, status, body, test.status, test.says)
		}
		if status == "307" && to != h.url+"/sign-in" {
			t.Errorf("led to %s", to)
		}
	}
}

// What is made while the server runs is shown to the next who connects. Outside: curl.
func TestCertificateTakenUp(t *testing.T) {
	h := newHousehold(t)
	h.lintel("certificate")
	c := newClient(t, h.lintel("certificate", "show", "--pem"))
	h.serve()
	defer h.stop()
	_, port, _ := net.SplitHostPort(h.listen)
	pi := []string{"--resolve", "pi.local:" + port + ":127.0.0.1", "https://pi.local:" + port + "/healthz"}
	if status, _, _ := c.ask(pi...); status != "exit status 60" {
		t.Errorf("a name it is not for: %s", status)
	}
	h.lintel("certificate", "pi.local")
	if status, _, _ := c.ask(pi...); status != "200" {
		t.Errorf("once it is for that name: %s", status)
	}
	h.lintel("certificate", "make", "--new-authority")
	if status, _, _ := c.ask(pi...); status != "exit status 60" {
		t.Errorf("signed by a new authority: %s", status)
	}
	c = newClient(t, h.lintel("certificate", "show", "--pem"))
	if status, _, _ := c.ask(pi...); status != "200" {
		t.Errorf("trusting the new authority: %s", status)
	}
}

// The broker shows the same certificate. Outside: Debian's mosquitto-clients.
func TestBrokerWithCertificate(t *testing.T) {
	if _, err := exec.LookPath("mosquitto_pub"); err != nil {
		t.Skip("SKIPPED: there is no mosquitto_pub here, so nothing was checked against it")
	}
	h := newHousehold(t)
	h.lintel("certificate")
	c := newClient(t, h.lintel("certificate", "show", "--pem"))
	var person, reader struct{ ID, Token string }
	for into, command := range map[any][]string{
		&person: {"person", "add", "Ada Quill", "--json"},
		&reader: {"source", "add", "reader", "Shelf", "--json"},
	} {
		if err := json.Unmarshal([]byte(h.lintel(command...)), into); err != nil {
			t.Fatal(err)
		}
	}
	at, stop := h.serveMQTT("--mqtt-listen", "127.0.0.1:0")
	defer stop()
	_, port, _ := net.SplitHostPort(at)
	publish := func(more ...string) error {
		return exec.CommandContext(t.Context(), "mosquitto_pub", append([]string{"-h", "localhost", "-p", port,
			"-u", reader.ID, "-P", reader.Token, "-q", "1", "-t", "lintel/factors/" + person.ID, "-m", `{"token":"TIN"}`}, more...)...).Run()
	}
	if err := publish("--cafile", c.ca); err != nil {
		t.Errorf("trusting the authority: %v", err)
	}
	if err := publish(); err == nil {
		t.Error("published in plain text")
	}
}

func TestCertificateRefused(t *testing.T) {
	h := newHousehold(t)
	fails := func(status int, says string, args ...string) {
		t.Helper()
		got, out, complaint := lintelAt(t, h.args(args...)...)
		if got != status || !strings.Contains(complaint, says) || out != "" {
			t.Errorf("%v: status %d, %q, %q", args, got, out, complaint)
		}
	}
	fails(exitUsage, "private names and addresses only", "certificate", "www.example.org")
	fails(exitUsage, "private names and addresses only", "certificate", "pi.local", "203.0.113.5")
	h.lintel("bell", "add", "gate")
	fails(exitFailed, "No certificate was made", "certificate", "show")
	fails(exitFailed, "No certificate was made", "certificate", "remove")
	h.lintel("certificate")
	h.lintel("certificate", "remove")
	fails(exitFailed, "No certificate was made", "certificate", "show")
	h.serve()
	defer h.stop()
	if !strings.HasPrefix(h.url, "http://") {
		t.Errorf("serves on %s", h.url)
	}
}

// A key that others can read is refused: that of a certificate, and a passphrase.
func TestKeysOthersRead(t *testing.T) {
	h := newHousehold(t)
	dir := t.TempDir()
	cert, key, phrase := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem"), filepath.Join(dir, "phrase")
	for path, text := range map[string]string{cert: "x", key: "x", phrase: "a very quiet lantern"} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	serve := h.args("serve", "--listen", h.listen, "--tls-cert", cert, "--tls-key", key)
	add := []string{"bell", "add", "gate", "--data", h.data + "2", "--passphrase-file", phrase}
	if _, _, says := lintelAt(t, serve...); !strings.Contains(says, "could not be loaded") {
		t.Errorf("a key of its owner's: %s", says)
	}
	for _, mode := range []os.FileMode{0o604, 0o640, 0o660, 0o644} {
		for path, args := range map[string][]string{key: serve, phrase: add} {
			if err := os.Chmod(path, mode); err != nil {
				t.Fatal(err)
			}
			if status, out, says := lintelAt(t, args...); status != exitFailed || !strings.Contains(says, "chmod 600") ||
				!strings.Contains(says, "Nothing was done") || out != "" {
				t.Errorf("%s of mode %o: status %d, %s %s", path, mode, status, out, says)
			}
		}
	}
	if _, err := os.Stat(h.data + "2"); err == nil {
		t.Error("an archive was made all the same")
	}
}

// Nothing of a key can be read in the data folder.
func TestCertificateSealed(t *testing.T) {
	h := newHousehold(t)
	h.lintel("certificate")
	key, err := seal.ReadKey(h.key)
	if err != nil {
		t.Fatal(err)
	}
	a, err := store.Open(t.Context(), h.data, key, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	kept, err := a.Certificates(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if state, err := certificate.StateOf(kept); err != nil || state.Server.NotAfter.Before(time.Now().AddDate(1, 11, 0)) {
		t.Errorf("%+v, %v", state, err)
	}
	files, err := filepath.Glob(filepath.Join(h.data, "*"))
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	for _, file := range files {
		content, err := os.ReadFile(file)
		if err != nil {
			continue // a folder
		}
		for what, secret := range map[string][]byte{"authority": kept.Authority.Key, "server": kept.Server.Key} {
			number := secret[36:68] // the private key within PKCS #8 (RFC 5915, from memory)
			written := base64.StdEncoding.EncodeToString(secret)[48:80]
			if bytes.Contains(content, number) || bytes.Contains(content, []byte(written)) {
				t.Errorf("%s has the key of the %s", file, what)
			}
		}
	}
}

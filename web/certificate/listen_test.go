package certificate

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"net/http"
	"os/exec"
	"strings"
	"testing"
	"time"

	"lintel/internal/python"
)

// serve serves on loopback what says whether it was asked in plain text, with a
// certificate of now, and returns where and the authority's file.
func serve(t *testing.T) (address, ca string) {
	t.Helper()
	c := made(t, time.Now(), "localhost", "127.0.0.1")
	s := &shelf{c: &c, now: time.Now()}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	k := NewKeeper(s, func() []string { return nil }, time.Now)
	server := &http.Server{ConnContext: Context, ReadHeaderTimeout: time.Second,
		Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if r.Method == http.MethodPost {
				http.Error(w, "too large", http.StatusRequestEntityTooLarge) // before it is read
				return
			}
			fmt.Fprintf(w, "plain: %t", Plain(r.Context()))
		})}
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(Listen(l, k.Config())) }()
	t.Cleanup(func() {
		server.Close()
		<-ended
	})
	return l.Addr().String(), file(t, c.Authority.DER)
}

// Outside: curl, with OpenSSL's and its own check of names; its exit status 60 is
// "peer certificate cannot be authenticated" (curl(1)).
func TestAgainstCurl(t *testing.T) {
	curl, err := exec.LookPath("curl")
	if err != nil {
		t.Skip("SKIPPED: there is no curl here, so nothing was checked against it")
	}
	at, ca := serve(t)
	_, port, _ := net.SplitHostPort(at)
	for name, test := range map[string]struct {
		args   []string
		status int
		says   string
	}{
		"by address":    {[]string{"--cacert", ca, "https://" + at}, 0, "plain: false"},
		"by name":       {[]string{"--cacert", ca, "https://localhost:" + port}, 0, "plain: false"},
		"plain":         {[]string{"http://" + at}, 0, "plain: true"},
		"without trust": {[]string{"https://" + at}, 60, ""},
		"a wrong name": {[]string{"--cacert", ca, "--resolve", "nas.local:" + port + ":127.0.0.1",
			"https://nas.local:" + port}, 60, ""},
		"two in a row": {[]string{"--cacert", ca, "https://" + at, "https://" + at}, 0,
			"plain: falseplain: false"},
		"an early answer":          {[]string{"--cacert", ca, "--data-binary", "@" + ca, "https://" + at}, 0, "too large"},
		"an early answer in plain": {[]string{"--data-binary", "@" + ca, "http://" + at}, 0, "too large"},
	} {
		t.Run(name, func(t *testing.T) {
			cmd := exec.CommandContext(t.Context(), curl, append([]string{"--silent", "--noproxy", "*"}, test.args...)...)
			out, _ := cmd.Output()
			if got := cmd.ProcessState.ExitCode(); got != test.status || strings.TrimSpace(string(out)) != test.says {
				t.Errorf("status %d, %q; want %d, %q", got, out, test.status, test.says)
			}
		})
	}
}

// Outside: OpenSSL's client: which versions of TLS are spoken (RFC 8996 ended those
// before 1.2), and that the chain verifies.
func TestAgainstOpenSSLClient(t *testing.T) {
	at, ca := serve(t)
	for version, want := range map[string]bool{"-tls1_3": true, "-tls1_2": true, "-tls1_1": false, "-tls1": false} {
		says, right := openssl(t, "s_client", "-connect", at, "-CAfile", ca, "-verify_return_error", "-verify_hostname",
			"localhost", "-cipher", "DEFAULT@SECLEVEL=0", version)
		if right != want || strings.Contains(says, "Cipher is (NONE)") == want ||
			want && !strings.Contains(says, "Verify return code: 0 (ok)") {
			t.Errorf("%s: %t, %s", version, right, says)
		}
	}
}

// Outside: Python's ssl, with its default context.
func TestAgainstPython(t *testing.T) {
	at, ca := serve(t)
	_, port, _ := net.SplitHostPort(at)
	var got []string
	python.Ask(t, "ssl", `
import json, socket, ssl, sys
q = json.load(sys.stdin)
answers = []
for name in ["localhost", "127.0.0.1", "nas.local"]:
    context = ssl.create_default_context(cafile=q["CA"])
    with socket.create_connection(("127.0.0.1", int(q["Port"]))) as s:
        try:
            with context.wrap_socket(s, server_hostname=name) as t:
                t.sendall(b"GET / HTTP/1.0\r\n\r\n")
                answers.append(t.makefile("rb").read().decode().split("\r\n\r\n")[1])
        except ssl.SSLCertVerificationError as e:
            answers.append(e.verify_message)
json.dump(answers, sys.stdout)`, map[string]string{"CA": ca, "Port": port}, &got)
	if len(got) != 3 || got[0] != "plain: false" || got[1] != got[0] || !strings.Contains(got[2], "Hostname mismatch") {
		t.Errorf("Python was answered %q", got)
	}
}

// Whoever sends nothing, one byte or noise keeps nothing and breaks nothing.
func TestNoise(t *testing.T) {
	at, _ := serve(t)
	for _, noise := range []string{"", "\x16", "\x16\x03\x01\x00\x05hello", "G", "\x00\x00\x00",
		"GET / HTTP/1.1\r\n\r\n"} {
		c, err := net.Dial("tcp", at)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(c, noise); err != nil {
			t.Fatal(err)
		}
		c.(*net.TCPConn).CloseWrite()
		io.Copy(io.Discard, bufio.NewReader(c)) // until the server has ended it
		c.Close()
	}
	c, err := net.Dial("tcp", at) // one that stays silent is ended by the server's time limit
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	io.Copy(io.Discard, c)
}

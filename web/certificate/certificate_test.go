package certificate

import (
	"crypto/x509"
	"encoding/pem"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// noon is when these tests begin.
var noon = time.Date(2031, 5, 4, 12, 0, 0, 0, time.UTC)

func made(t *testing.T, now time.Time, names ...string) (c house.Certificates) {
	t.Helper()
	if err := Make(&c, names, now); err != nil {
		t.Fatal(err)
	}
	return c
}

// openssl asks OpenSSL, and skips the test aloud where there is none: `make test`
// installs it on Debian.
func openssl(t *testing.T, args ...string) (says string, right bool) {
	t.Helper()
	path, err := exec.LookPath("openssl")
	if err != nil {
		t.Skip("SKIPPED: there is no openssl here, so nothing was checked against it")
	}
	out, err := exec.CommandContext(t.Context(), path, args...).CombinedOutput()
	return string(out), err == nil
}

// file writes a certificate for OpenSSL.
func file(t *testing.T, der []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "certificate.pem")
	if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// forged is what a thief of the authority's key signs: any names at all.
func forged(t *testing.T, authority house.Certificate, dns []string, ips []net.IP,
	change func(*x509.Certificate)) []byte {
	t.Helper()
	parent, err := x509.ParseCertificate(authority.DER)
	if err != nil {
		t.Fatal(err)
	}
	key, err := x509.ParsePKCS8PrivateKey(authority.Key)
	if err != nil {
		t.Fatal(err)
	}
	template := x509.Certificate{NotBefore: noon, NotAfter: noon.AddDate(1, 0, 0), DNSNames: dns, IPAddresses: ips,
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}
	if change != nil {
		change(&template)
	}
	c, err := signed(&template, parent, key)
	if err != nil {
		t.Fatal(err)
	}
	return c.DER
}

// Outside: OpenSSL's verification of paths (RFC 5280, section 6), with its checks
// of names, times and purposes.
func TestAgainstOpenSSL(t *testing.T) {
	c := made(t, noon, "Pi.local.", "192.168.7.9", "fd00::7", "türe.home.arpa")
	ca := file(t, c.Authority.DER)
	another := file(t, made(t, noon, "pi.local").Authority.DER)
	stamp := func(when time.Time) string { return strconv.FormatInt(when.Unix(), 10) }
	for name, test := range map[string]struct {
		leaf []byte
		args []string
		says string // "" where it is right
	}{
		"its name":                {c.Server.DER, []string{"-verify_hostname", "pi.local"}, ""},
		"a name in other letters": {c.Server.DER, []string{"-verify_hostname", "xn--tre-hoa.home.arpa"}, ""},
		"its address":             {c.Server.DER, []string{"-verify_ip", "192.168.7.9"}, ""},
		"its address of IPv6":     {c.Server.DER, []string{"-verify_ip", "fd00::7"}, ""},
		"another name":            {c.Server.DER, []string{"-verify_hostname", "nas.local"}, "hostname mismatch"},
		"another address":         {c.Server.DER, []string{"-verify_ip", "192.168.7.10"}, "IP address mismatch"},
		"not a server's":          {c.Server.DER, []string{"-purpose", "smimesign"}, "unsuitable certificate purpose"},
		"after two years":         {c.Server.DER, []string{"-attime", stamp(noon.AddDate(2, 0, 1))}, "has expired"},
		"a day before":            {c.Server.DER, []string{"-attime", stamp(noon.AddDate(2, 0, -1))}, ""},
		"before it was made":      {c.Server.DER, []string{"-attime", stamp(noon.Add(-2 * time.Hour))}, "not yet valid"},
		"another authority":       {c.Server.DER, []string{"-CAfile", another}, "unable to get local issuer certificate"},
		"forged for a site": {forged(t, c.Authority, []string{"www.example.org"}, nil, nil), nil,
			"permitted subtree violation"},
		"forged for a site too": {forged(t, c.Authority, []string{"pi.local", "example.org"}, nil, nil), nil,
			"permitted subtree violation"},
		"forged for a public address": {forged(t, c.Authority, nil, []net.IP{net.IPv4(203, 0, 113, 5)}, nil), nil,
			"permitted subtree violation"},
		"forged for a public address of IPv6": {forged(t, c.Authority, nil, []net.IP{net.ParseIP("2001:db8::5")}, nil), nil,
			"permitted subtree violation"},
		"forged for programs": {forged(t, c.Authority, []string{"pi.local"}, nil, func(x *x509.Certificate) {
			x.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageCodeSigning}
		}), nil, "unsuitable certificate purpose"},
	} {
		t.Run(name, func(t *testing.T) {
			args := []string{"verify", "-x509_strict", "-no-CApath", "-no-CAstore"}
			if !slices.Contains(test.args, "-CAfile") {
				args = append(args, "-CAfile", ca)
			}
			if !slices.Contains(test.args, "-attime") {
				args = append(args, "-attime", stamp(noon))
			}
			if !slices.Contains(test.args, "-purpose") {
				args = append(args, "-purpose", "sslserver")
			}
			says, right := openssl(t, append(append(args, test.args...), file(t, test.leaf))...)
			if right != (test.says == "") || !strings.Contains(says, test.says) {
				t.Errorf("openssl says %s, want %q", says, test.says)
			}
		})
	}
}

package certificate

import (
	"errors"
	"net"
	"net/netip"
	"strings"
	"testing"
)

// Outside: the domains of RFC 6761 (localhost), RFC 6762 (local; appendix G) and RFC
// 8375 (home.arpa); the addresses of RFC 1918, RFC 4193, RFC 3927 and RFC 4291.
// Those of the world are RFC 2606's, RFC 5737's and RFC 3849's for examples.
func TestPrivate(t *testing.T) {
	for name, want := range map[string]string{
		"pi.local":                               "pi.local",
		"Pi.LOCAL.":                              "pi.local",
		"a.b.home.arpa":                          "a.b.home.arpa",
		"door.lan":                               "door.lan",
		"localhost":                              "localhost",
		"türe.internal":                          "xn--tre-hoa.internal",
		"10.1.2.3":                               "10.1.2.3",
		"172.31.255.255":                         "172.31.255.255",
		"192.168.0.1":                            "192.168.0.1",
		"169.254.1.1":                            "169.254.1.1",
		"127.0.0.1":                              "127.0.0.1",
		"[fd12::1]":                              "fd12::1",
		"FD00:0:0:0:0:0:0:7":                     "fd00::7",
		"::1":                                    "::1",
		"example.org":                            "",
		"local":                                  "", // nobody's name
		"pi":                                     "", // a constraint to it would be one to all that ends in .pi
		"app":                                    "",
		"pi.local.example.org":                   "",
		"evillocal":                              "",
		"*.local":                                "",
		"a b.local":                              "",
		".local":                                 "",
		"pi..local":                              "",
		"-.local":                                "",
		"pi.local/x":                             "",
		"pi.local:8420":                          "",
		"":                                       "",
		"203.0.113.5":                            "",
		"172.32.0.1":                             "",
		"8.8.8.8":                                "",
		"2001:db8::5":                            "",
		"0.0.0.0":                                "",
		"192.168.1.256":                          "",
		"192.168.1.1/24":                         "",
		strings.Repeat("a", 64) + ".local":       "",
		strings.Repeat("abcdefg.", 32) + "local": "",
		"gate\u202e.local":                       "",
	} {
		got, err := Private(name)
		if got != want || (want == "") != errors.Is(err, ErrName) {
			t.Errorf("%q is %q, %v; want %q", name, got, err, want)
		}
	}
}

func TestFound(t *testing.T) {
	found := Found()
	if len(found) < 3 || found[0] != "localhost" {
		t.Errorf("found %q", found)
	}
	for i, name := range found {
		if again, err := Private(name); err != nil || again != name {
			t.Errorf("%q: %q, %v", name, again, err)
		}
		for _, other := range found[:i] {
			if other == name {
				t.Errorf("%q twice", name)
			}
		}
	}
}

func TestConstraintsParse(t *testing.T) {
	for _, p := range privateAddresses {
		if _, _, err := net.ParseCIDR(p); err != nil {
			t.Error(err)
		}
	}
}

// What is private is the same when asked again, and no address of the world.
func FuzzPrivate(f *testing.F) {
	for _, seed := range []string{"pi.local", "192.168.1.7", "[fd00::1]", "::ffff:10.0.0.1", "example.org", "türe.lan."} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, name string) {
		got, err := Private(name)
		if err != nil {
			return
		}
		if again, err := Private(got); err != nil || again != got {
			t.Errorf("%q is %q, and that %q, %v", name, got, again, err)
		}
		if a, err := netip.ParseAddr(got); err == nil && !a.IsPrivate() && !a.IsLoopback() && !a.IsLinkLocalUnicast() {
			t.Errorf("%q is %v, which is no private address", name, a)
		}
		if strings.ContainsAny(got, " \n/*\x00") {
			t.Errorf("%q is %q", name, got)
		}
	})
}

package certificate

import (
	"net"
	"net/netip"
	"os"
	"slices"
	"strings"
	"unicode/utf8"

	"golang.org/x/net/idna"

	"lintel/internal/house"
)

// ErrName says that a certificate of the house can't be for such a name.
var ErrName error = house.Refusal("certificate-name")

// privateNames are the domains that no site of the world has: those of RFC 6761
// (localhost), RFC 6762 (local, and from its appendix G home, lan, private and
// internal, the last of which ICANN set aside in 2024, from memory) and RFC 8375
// (home.arpa). A name without a dot is none of them: a constraint to one such as
// app would let through every site that ends in it.
var privateNames = []string{"localhost", "local", "home.arpa", "home", "lan", "private", "internal"}

// privateAddresses are those that no site of the world has: RFC 1918, RFC 4193,
// and those of one link or one machine (RFC 3927, RFC 4291, RFC 1122).
var privateAddresses = []string{"10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16", "127.0.0.0/8",
	"fc00::/7", "fe80::/10", "::1/128"}

// hostNames are as UTS #46 has them, no longer than DNS allows (RFC 1035).
var hostNames = idna.New(idna.MapForLookup(), idna.BidiRule(), idna.StrictDomainName(true), idna.VerifyDNSLength(true))

// Private returns a host name or an address as a certificate has it: a name in
// lower case and in ASCII, without a dot at its end. The error is ErrName unless it
// is one of a house.
func Private(name string) (string, error) {
	if address, err := netip.ParseAddr(strings.Trim(name, "[]")); err == nil {
		for _, p := range privateAddresses {
			if netip.MustParsePrefix(p).Contains(address) {
				return address.String(), nil
			}
		}
		return "", house.Refused{Value: name, Why: ErrName}
	}
	ascii, err := hostNames.ToASCII(strings.TrimSuffix(name, "."))
	if err != nil || !utf8.ValidString(name) {
		return "", house.Refused{Value: name, Why: ErrName}
	}
	for _, domain := range privateNames {
		if strings.HasSuffix(ascii, "."+domain) || ascii == "localhost" {
			return ascii, nil
		}
	}
	return "", house.Refused{Value: name, Why: ErrName}
}

// Found returns the names and addresses by which this machine is reached, as far as
// it knows: its own, that name with .local (RFC 6762), and private addresses.
func Found() []string {
	all := []string{"localhost", "127.0.0.1", "::1"}
	if host, err := os.Hostname(); err == nil {
		label, _, _ := strings.Cut(host, ".")
		all = append(all, host, label+".local")
	}
	addresses, _ := net.InterfaceAddrs() // without them there are the names
	for _, a := range addresses {
		if ip, _, err := net.ParseCIDR(a.String()); err == nil && !ip.IsLinkLocalUnicast() {
			all = append(all, ip.String())
		}
	}
	return proper(all)
}

// proper returns those of names that a certificate can be for, each once.
func proper(all []string) (names []string) {
	for _, name := range all {
		if name, err := Private(name); err == nil && !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	return names
}

// Reachable is by which of the server's names a device surely reaches it: its first
// address on the network, of IPv4 if it can be, or else its first name, or localhost.
func Reachable(names []string) string {
	best := "localhost"
	for _, name := range names {
		address, err := netip.ParseAddr(name)
		switch {
		case err == nil && address.IsPrivate() && address.Is4():
			return name
		case err == nil && address.IsPrivate():
			best = name
		case err != nil && best == "localhost":
			best = name
		}
	}
	return best
}

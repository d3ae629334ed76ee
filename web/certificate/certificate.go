// Package certificate lets a household have TLS: a small authority of its own, and
// a certificate of the server that the authority signs. Devices of the household
// trust the authority once, and all certificates of the server from then on.
//
//	var c house.Certificates
//	err := certificate.Make(&c, certificate.Found(), time.Now()) // both, or the server's anew
//	keeper := certificate.NewKeeper(archive, certificate.Found, time.Now)
//	config := keeper.Config() // for tls.NewListener, or Listen
//
// A [Keeper] shows whoever connects the certificate that there is then, so one that
// was made anew is taken up at once, and makes one anew before it ends. [Listen]
// takes TLS and plain HTTP at one address, since whoever does not know the authority
// yet has to be told of it.
//
// The authority vouches for private names and addresses only, by constraints that
// are part of it (RFC 5280, section 4.2.1.10), and for servers only: whoever steals
// its key can't pass for any site of the world. The key is kept sealed under the
// master key, see package store.
package certificate

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"net"
	"strings"
	"time"

	"lintel/internal/house"
)

const (
	// authorityYears is how long devices need not trust anything anew.
	authorityYears = 10
	// serverYears is how long one of the server's is good. Some systems take none
	// of more than 825 days, whoever signed it (from memory).
	serverYears = 2
	// renewBefore is how long before its end one is made anew: at 23 months.
	renewBefore = 32 * 24 * time.Hour
	// early is how long before it is made one begins, for clocks that are behind.
	early = time.Hour
)

// ErrAuthorityEnds says that the authority has ended or is about to, so that it can
// sign nothing that lasts.
var ErrAuthorityEnds error = house.Refusal("certificate-authority-ends")

// Make makes a certificate of the server for names, signed by the authority; and
// first an authority where there is none. The errors are ErrName and
// ErrAuthorityEnds.
func Make(c *house.Certificates, names []string, now time.Time) error {
	if len(c.Authority.DER) == 0 {
		authority, err := newAuthority(now)
		if err != nil {
			return fmt.Errorf("making an authority: %w", err)
		}
		c.Authority = authority
	}
	server, err := issue(c.Authority, names, now)
	if err != nil {
		return fmt.Errorf("making a certificate: %w", err)
	}
	c.Server = server
	return nil
}

func newAuthority(now time.Time) (house.Certificate, error) {
	ranges := make([]*net.IPNet, len(privateAddresses))
	for i, p := range privateAddresses {
		_, ranges[i], _ = net.ParseCIDR(p) // a test parses each
	}
	template := x509.Certificate{
		// The letters tell a new authority from an old one in a device's list.
		Subject:   pkix.Name{CommonName: "Lintel, authority of this house, " + rand.Text()[:4]},
		NotBefore: now.Add(-early), NotAfter: now.AddDate(authorityYears, 0, 0),
		KeyUsage:    x509.KeyUsageCertSign,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		IsCA:        true, BasicConstraintsValid: true, MaxPathLenZero: true,
		PermittedDNSDomainsCritical: true, PermittedDNSDomains: privateNames, PermittedIPRanges: ranges,
	}
	return signed(&template, nil, nil)
}

// issue makes a certificate of the server for names.
func issue(authority house.Certificate, names []string, now time.Time) (house.Certificate, error) {
	parent, err := x509.ParseCertificate(authority.DER)
	if err != nil {
		return house.Certificate{}, fmt.Errorf("reading the authority: %w", err)
	}
	key, err := x509.ParsePKCS8PrivateKey(authority.Key)
	if err != nil {
		return house.Certificate{}, fmt.Errorf("reading the authority's key: %w", err)
	}
	template := x509.Certificate{
		Subject:   pkix.Name{CommonName: "Lintel"},
		NotBefore: now.Add(-early), NotAfter: now.AddDate(serverYears, 0, 0),
		KeyUsage:    x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, BasicConstraintsValid: true,
	}
	if template.NotAfter.After(parent.NotAfter) {
		template.NotAfter = parent.NotAfter
	}
	if template.NotAfter.Sub(now) < renewBefore {
		return house.Certificate{}, ErrAuthorityEnds
	}
	for _, name := range names {
		if name, err = Private(name); err != nil {
			return house.Certificate{}, err
		}
		if ip := net.ParseIP(name); ip != nil {
			template.IPAddresses = append(template.IPAddresses, ip)
		} else {
			template.DNSNames = append(template.DNSNames, name)
		}
	}
	return signed(&template, parent, key)
}

// signed makes a key and a certificate for it, signed by a parent's key or, without
// a parent, by its own.
func signed(template, parent *x509.Certificate, by any) (c house.Certificate, err error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return c, err
	}
	if parent == nil {
		parent, by = template, key
	}
	if c.DER, err = x509.CreateCertificate(rand.Reader, template, parent, &key.PublicKey, by); err != nil {
		return c, err
	}
	c.Key, err = x509.MarshalPKCS8PrivateKey(key)
	return c, err
}

// A State is which certificates there are.
type State struct {
	Authority *x509.Certificate // nil where the server's is the household's own
	Server    *x509.Certificate
}

// StateOf reads certificates of the house.
func StateOf(c house.Certificates) (s State, err error) {
	authority, errA := x509.ParseCertificate(c.Authority.DER)
	server, errS := x509.ParseCertificate(c.Server.DER)
	if err := errors.Join(errA, errS); err != nil {
		return s, fmt.Errorf("reading the certificates: %w", err)
	}
	return State{authority, server}, nil
}

// Names are what a certificate is for.
func Names(c *x509.Certificate) []string {
	names := append([]string{}, c.DNSNames...)
	for _, ip := range c.IPAddresses {
		names = append(names, ip.String())
	}
	return names
}

// Fingerprint is the SHA-256 of a certificate, as devices show it: pairs of digits,
// with colons between.
func Fingerprint(c *x509.Certificate) string {
	sum := sha256.Sum256(c.Raw)
	pairs := make([]string, len(sum))
	for i, b := range sum {
		pairs[i] = fmt.Sprintf("%02X", b)
	}
	return strings.Join(pairs, ":")
}

// PEM is a certificate as devices and programs take it (RFC 7468).
func PEM(c *x509.Certificate) []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: c.Raw})
}

package certificate

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"lintel/internal/house"
)

// An Archive keeps the house's certificates.
type Archive interface {
	// Certificates returns them, or house.ErrNotFound.
	Certificates(context.Context) (house.Certificates, error)
	// ChangeCertificates has a function make them, or make them anew.
	ChangeCertificates(context.Context, func(*house.Certificates) error) error
}

// A Keeper has the server's certificate ready. It is safe for use by several
// goroutines.
type Keeper struct {
	archive Archive
	found   func() []string
	now     func() time.Time
	own     *tls.Certificate // the household's own, nil for the house's

	mu   sync.Mutex
	last *tls.Certificate // that was shown
}

// NewKeeper returns a keeper of the house's certificate. It is for the names that
// were asked for and those that found returns.
func NewKeeper(archive Archive, found func() []string, now func() time.Time) *Keeper {
	return &Keeper{archive: archive, found: found, now: now}
}

// NewOwn returns a keeper of one that the household brings, in files of PEM.
func NewOwn(certFile, keyFile string) (*Keeper, error) {
	own, err := tls.LoadX509KeyPair(certFile, keyFile)
	if err != nil {
		return nil, err
	}
	return &Keeper{own: &own}, nil
}

// Config is how a listener uses the certificate.
func (k *Keeper) Config() *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS12,
		GetCertificate: func(hello *tls.ClientHelloInfo) (*tls.Certificate, error) { return k.current(hello.Context()) }}
}

// current returns the certificate that there is now. Where the archive can't be
// read the last one does.
func (k *Keeper) current(ctx context.Context) (*tls.Certificate, error) {
	if k.own != nil {
		return k.own, nil
	}
	c, err := k.archive.Certificates(ctx)
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.last != nil && (err != nil || bytes.Equal(k.last.Certificate[0], c.Server.DER)) {
		return k.last, nil
	}
	if err != nil {
		return nil, err
	}
	key, err := x509.ParsePKCS8PrivateKey(c.Server.Key)
	if err != nil {
		return nil, fmt.Errorf("reading the server's key: %w", err)
	}
	k.last = &tls.Certificate{Certificate: [][]byte{c.Server.DER}, PrivateKey: key}
	return k.last, nil
}

// State says which certificates there are. The error is house.ErrNotFound where
// those of the house were removed.
func (k *Keeper) State(ctx context.Context) (State, error) {
	if k.own != nil {
		return State{Server: k.own.Leaf}, nil
	}
	c, err := k.archive.Certificates(ctx)
	if err != nil {
		return State{}, err
	}
	return StateOf(c)
}

// errNotDue says that nothing is to be renewed.
var errNotDue = errors.New("the certificate is good for a while")

// Renew makes the house's certificate anew if it ends within a month, or lacks a
// name or an address that this machine has now, and reports whether it did. It does
// nothing with one that the household brings, or where there is none.
func (k *Keeper) Renew(ctx context.Context) (renewed bool, err error) {
	if k.own != nil {
		return false, nil
	}
	c, err := k.archive.Certificates(ctx)
	if errors.Is(err, house.ErrNotFound) {
		return false, nil
	}
	found := k.found()
	if err == nil && !due(c, found, k.now()) {
		return false, nil
	}
	if err == nil {
		err = k.archive.ChangeCertificates(ctx, func(c *house.Certificates) error {
			if len(c.Authority.DER) == 0 || !due(*c, found, k.now()) {
				return errNotDue // somebody was quicker
			}
			return Make(c, Union(c.Names, found), k.now())
		})
	}
	if errors.Is(err, errNotDue) {
		return false, nil
	}
	return err == nil, err
}

// due reports whether a certificate is to be made anew. One that can't be read is.
func due(c house.Certificates, found []string, now time.Time) bool {
	server, err := x509.ParseCertificate(c.Server.DER)
	if err != nil || server.NotAfter.Sub(now) < renewBefore {
		return true
	}
	has := Names(server)
	return slices.ContainsFunc(found, func(name string) bool { return !slices.Contains(has, name) })
}

// Union returns names and then more of them, each once.
func Union(names, more []string) []string {
	all := slices.Clone(names)
	for _, name := range more {
		if !slices.Contains(all, name) {
			all = append(all, name)
		}
	}
	return all
}

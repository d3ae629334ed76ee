package certificate

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"net"
	"sync"
	"testing"
	"time"

	"lintel/internal/house"
)

// A shelf is an archive in memory, with a clock.
type shelf struct {
	mu   sync.Mutex
	c    *house.Certificates
	err  error // that reading ends in
	now  time.Time
	have []string // what is found
}

func (s *shelf) Certificates(context.Context) (house.Certificates, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err != nil {
		return house.Certificates{}, s.err
	}
	return *s.c, nil
}

func (s *shelf) ChangeCertificates(_ context.Context, change func(*house.Certificates) error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	c := *s.c
	err := change(&c)
	if err == nil {
		s.c = &c
	}
	return err
}

func (s *shelf) later(years, months, days int) { s.now = s.now.AddDate(years, months, days) }

func newShelf(t *testing.T, names ...string) (*shelf, *Keeper) {
	t.Helper()
	c := made(t, noon, names...)
	c.Names = names[:1]
	s := &shelf{c: &c, now: noon, have: names[1:]}
	return s, NewKeeper(s, func() []string { return s.have }, func() time.Time { return s.now })
}

// serial is of the certificate that a connection was shown.
func serial(c *tls.Conn) string { return c.ConnectionState().PeerCertificates[0].SerialNumber.String() }

// connect shakes hands with a keeper, by the clock of its shelf.
func connect(t *testing.T, s *shelf, k *Keeper, name string) (client, server *tls.Conn) {
	t.Helper()
	s.mu.Lock()
	roots, authority := x509.NewCertPool(), s.c.Authority.DER
	s.mu.Unlock()
	trusted, err := x509.ParseCertificate(authority)
	if err != nil {
		t.Fatal(err)
	}
	roots.AddCert(trusted)
	a, b := net.Pipe()
	t.Cleanup(func() { a.Close(); b.Close() })
	client = tls.Client(a, &tls.Config{RootCAs: roots, ServerName: name, Time: func() time.Time { return s.now }})
	server = tls.Server(b, k.Config())
	shaken := make(chan error, 1)
	go func() { shaken <- server.Handshake() }()
	if err := errors.Join(client.Handshake(), <-shaken); err != nil {
		t.Fatal(err)
	}
	return client, server
}

// At 23 months the next connection is shown a new certificate, while one that is
// open goes on. Outside: crypto/tls and crypto/x509 as the client, which verify the
// path, the name and the time by RFC 5280.
func TestRenew(t *testing.T) {
	s, k := newShelf(t, "door.local", "192.168.7.9")
	renew := func(want bool) {
		t.Helper()
		if did, err := k.Renew(t.Context()); did != want || err != nil {
			t.Errorf("on %v renewed: %t, %v", s.now.Format(time.DateOnly), did, err)
		}
	}
	renew(false)
	before, atServer := connect(t, s, k, "door.local")
	s.later(0, 22, 0)
	renew(false)
	if c, _ := connect(t, s, k, "192.168.7.9"); serial(c) != serial(before) {
		t.Error("another certificate after 22 months")
	}
	s.later(0, 1, 0)
	renew(true)
	renew(false)
	after, _ := connect(t, s, k, "door.local")
	if serial(after) == serial(before) {
		t.Error("the same certificate after 23 months")
	}
	if ends := after.ConnectionState().PeerCertificates[0].NotAfter; !ends.Equal(s.now.AddDate(2, 0, 0)) {
		t.Errorf("the new one ends %v", ends)
	}
	go func() { atServer.Write([]byte("still")) }()
	got := make([]byte, 5)
	if _, err := io.ReadFull(before, got); err != nil || string(got) != "still" {
		t.Errorf("the connection from before reads %q, %v", got, err)
	}

	s.have = []string{"192.168.7.9", "192.168.7.20"} // the machine has another address now
	renew(true)
	connect(t, s, k, "192.168.7.20")
	connect(t, s, k, "door.local") // which was asked for
	s.have = nil
	renew(false)
}

// Over ten years the authority signs each certificate; towards its end it signs
// shorter ones, and then none.
func TestRenewUntilTheAuthorityEnds(t *testing.T) {
	s, k := newShelf(t, "door.local")
	renewed := 0
	for s.now.Before(noon.AddDate(9, 10, 0)) {
		s.later(0, 0, 7)
		did, err := k.Renew(t.Context())
		if err != nil {
			t.Fatalf("on %v: %v", s.now, err)
		}
		if did {
			renewed++
		}
		connect(t, s, k, "door.local")
	}
	if renewed != 5 {
		t.Errorf("renewed %d times in ten years", renewed)
	}
	s.later(0, 1, 7)
	if _, err := k.Renew(t.Context()); !errors.Is(err, ErrAuthorityEnds) {
		t.Errorf("at the end of the authority: %v", err)
	}
	connect(t, s, k, "door.local") // the last is still good
}

// A certificate that was made anew, by another process, is shown to the next who
// connects; where the archive can't be read the last one is.
func TestTakenUpAtOnce(t *testing.T) {
	s, k := newShelf(t, "door.local")
	first, _ := connect(t, s, k, "door.local")
	anew := made(t, noon, "door.local")
	s.c = &anew
	second, _ := connect(t, s, k, "door.local")
	if serial(first) == serial(second) {
		t.Error("the first certificate is still shown")
	}
	s.err = errors.New("the disk is gone")
	third, _ := connect(t, s, k, "door.local")
	if serial(third) != serial(second) {
		t.Error("another certificate where none can be read")
	}
	if _, err := k.Renew(t.Context()); err == nil {
		t.Error("no error where none can be read")
	}
}

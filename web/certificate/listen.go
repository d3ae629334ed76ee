package certificate

import (
	"context"
	"crypto/tls"
	"net"
	"sync/atomic"
)

// Listen takes TLS and plain text from a listener: each connection is what its
// first byte says. A server has to ask [Plain] of each request, and to tell whoever
// speaks in plain text no more than anybody may know.
func Listen(l net.Listener, config *tls.Config) net.Listener { return listener{l, config} }

type listener struct {
	net.Listener
	config *tls.Config
}

func (l listener) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return &conn{Conn: c, config: l.config}, nil
}

// A conn is TLS from its first byte on, or not at all.
type conn struct {
	net.Conn
	config *tls.Config
	begun  bool   // whether the first byte was read
	ahead  []byte // that byte, of plain text, until it is asked for
	secure atomic.Pointer[tls.Conn]
}

// handshake is the first byte of TLS (RFC 8446, section 5.1: the content type
// handshake); no method of HTTP begins with it.
const handshake = 22

// Read reads what is meant for HTTP. Like a tls.Conn's, it shakes hands when it is
// called first.
func (c *conn) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	if !c.begun {
		first := make([]byte, 1)
		if _, err := c.Conn.Read(first); err != nil {
			return 0, err
		}
		c.begun, c.ahead = true, first
		if first[0] == handshake {
			c.ahead = nil
			c.secure.Store(tls.Server(&begun{c.Conn, first}, c.config))
		}
	}
	if s := c.secure.Load(); s != nil {
		return s.Read(p)
	}
	if len(c.ahead) > 0 {
		n := copy(p, c.ahead)
		c.ahead = c.ahead[n:]
		return n, nil
	}
	return c.Conn.Read(p)
}

func (c *conn) Write(p []byte) (int, error) {
	if s := c.secure.Load(); s != nil {
		return s.Write(p)
	}
	return c.Conn.Write(p)
}

func (c *conn) Close() error {
	if s := c.secure.Load(); s != nil {
		return s.Close()
	}
	return c.Conn.Close()
}

// CloseWrite lets whoever is answered before all was read read the answer.
func (c *conn) CloseWrite() error {
	if s := c.secure.Load(); s != nil {
		return s.CloseWrite()
	}
	if half, ok := c.Conn.(interface{ CloseWrite() error }); ok {
		return half.CloseWrite()
	}
	return nil
}

// begun is a connection of which the first byte was read.
type begun struct {
	net.Conn
	first []byte
}

func (b *begun) Read(p []byte) (int, error) {
	if len(b.first) == 0 {
		return b.Conn.Read(p)
	}
	n := copy(p, b.first)
	b.first = b.first[n:]
	return n, nil
}

type connKey struct{}

// Context is http.Server's ConnContext of a server behind Listen.
func Context(ctx context.Context, c net.Conn) context.Context {
	return context.WithValue(ctx, connKey{}, c)
}

// Plain reports whether a request, by its context, came in plain text where TLS is
// spoken.
func Plain(ctx context.Context) bool {
	c, ok := ctx.Value(connKey{}).(*conn)
	return ok && c.secure.Load() == nil
}

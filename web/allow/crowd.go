package allow

import (
	"container/list"
	"net"
	"sync"
)

// A Crowd bounds how many are in at once: of each network, which is refused more, and
// of all. Where all places are taken, whoever was in for longest of the network with
// the most has to leave, so that nobody is kept out by others.
type Crowd struct {
	each, most int

	mu   sync.Mutex
	in   map[Network]*list.List // of *guest, the one that was in for longest first
	here int
	came int // how many ever did
}

type guest struct {
	from Network
	out  func()
	came int // as which
	here *list.Element
}

// NewCrowd returns one of so many of each network, and in all.
func NewCrowd(each, most int) *Crowd {
	return &Crowd{each: each, most: most, in: make(map[Network]*list.List)}
}

// Enter counts somebody in, and reports false if their network has all it may have.
// out, which has to return at once, tells them to leave for another; leave counts them
// out, and may be called more than once.
func (c *Crowd) Enter(from Network, out func()) (leave func(), ok bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if of := c.in[from]; of != nil && of.Len() >= c.each {
		return nil, false
	}
	if c.here >= c.most {
		loses := c.crowded()
		c.remove(loses)
		loses.out()
	}
	of := c.in[from]
	if of == nil {
		of = list.New()
		c.in[from] = of
	}
	c.came++
	g := &guest{from: from, out: out, came: c.came}
	g.here = of.PushBack(g)
	c.here++
	return func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.remove(g)
	}, true
}

// crowded returns who was in for longest of the network with the most, and of several
// such networks, of all of them.
func (c *Crowd) crowded() (longest *guest) {
	most := 0
	for _, of := range c.in {
		first := of.Front().Value.(*guest)
		if of.Len() > most || of.Len() == most && first.came < longest.came {
			most, longest = of.Len(), first
		}
	}
	return longest
}

func (c *Crowd) remove(g *guest) {
	if g.here == nil {
		return
	}
	of := c.in[g.from]
	of.Remove(g.here)
	g.here = nil
	c.here--
	if of.Len() == 0 {
		delete(c.in, g.from)
	}
}

// Here returns how many are in.
func (c *Crowd) Here() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.here
}

// Bounds of [Listen]. A browser has six connections to a server (common practice, no
// source), and a live one for each page that is open.
const (
	ConnectionsEach = 96
	Connections     = 1024
)

// Listen bounds the connections that a listener accepts, by [ConnectionsEach] and
// [Connections]. One too many is closed unread.
func Listen(l net.Listener) net.Listener {
	return &door{l, NewCrowd(ConnectionsEach, Connections)}
}

type door struct {
	net.Listener
	crowd *Crowd
}

// Accept waits for the next connection that there is room for.
func (d *door) Accept() (net.Conn, error) {
	for {
		conn, err := d.Listener.Accept()
		if err != nil {
			return nil, err
		}
		c := &counted{Conn: conn}
		leave, ok := d.crowd.Enter(NetworkOf(conn.RemoteAddr().String()), func() { conn.Close() })
		if ok {
			c.leave = leave
			return c, nil
		}
		conn.Close()
	}
}

// counted is a connection that is in the crowd until it is closed.
type counted struct {
	net.Conn
	leave func()
}

// Close closes the connection.
func (c *counted) Close() error {
	c.leave()
	return c.Conn.Close()
}

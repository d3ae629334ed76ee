package allow

import (
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"testing"
	"time"
)

// Whoever crowds in, a network never has more than its share, all together never more
// than there is room for, and one with a single connection loses none to those with
// several.
func TestCrowdProperty(t *testing.T) {
	roll := rand.New(rand.NewPCG(3, 5))
	c := NewCrowd(8, 64)
	in := make(map[int]int)
	lost := false
	home, ok := c.Enter(network(1<<20), func() { lost = true })
	if !ok {
		t.Fatal("the first does not get in")
	}
	leaves := make(map[int][]func())
	for range 20_000 {
		n := roll.IntN(30)
		if roll.IntN(4) == 0 && len(leaves[n]) > 0 {
			leaves[n][0]() // may have had to go before
			leaves[n] = leaves[n][1:]
			continue
		}
		gone := false
		leave, ok := c.Enter(network(n), func() {
			gone = true
			in[n]--
		})
		if ok != (in[n] < 8) {
			t.Fatalf("with %d of its network in: %t", in[n], ok)
		}
		if ok {
			in[n]++
			leaves[n] = append(leaves[n], func() {
				if leave(); !gone {
					gone = true
					in[n]--
				}
			})
		}
		if c.Here() > 64 || lost {
			t.Fatalf("%d are in, the single one lost its place: %t", c.Here(), lost)
		}
	}
	home()
	home()
	for _, all := range leaves {
		for _, leave := range all {
			leave()
		}
	}
	if c.Here() != 0 || len(c.in) != 0 {
		t.Errorf("%d of %d networks are left", c.Here(), len(c.in))
	}
}

// TestListen opens a thousand connections from one address, which Linux has as many of
// as one likes (127.0.0.0/8, RFC 1122, section 3.2.1.3), and one from another.
func TestListen(t *testing.T) {
	inner, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := Listen(inner)
	defer l.Close()
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go func() { // says what it hears, and holds the line
				io.Copy(conn, conn)
				conn.Close()
			}()
		}
	}()
	for i := range 1000 {
		defer dial(t, "127.0.0.2", l).Close()
		if i%100 == 0 && !echoes(t, dial(t, "127.0.0.3", l)) {
			t.Errorf("after %d connections another address is not heard", i)
		}
	}
	if echoes(t, dial(t, "127.0.0.2", l)) {
		t.Error("the address has more than its share")
	}
	for i := range 100 {
		for range 30 {
			defer dial(t, fmt.Sprint("127.0.1.", i), l).Close()
		}
	}
	if !echoes(t, dial(t, "127.0.0.3", l)) {
		t.Error("by a hundred addresses another is kept out")
	}
}

func dial(t *testing.T, from string, l net.Listener) net.Conn {
	t.Helper()
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(from)}, Timeout: 10 * time.Second}
	conn, err := d.DialContext(t.Context(), "tcp4", l.Addr().String())
	if err != nil {
		t.Skip("SKIPPED: this machine has no such address: ", err)
	}
	return conn
}

func echoes(t *testing.T, conn net.Conn) bool {
	t.Helper()
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(10 * time.Second))
	said := []byte("hello")
	if _, err := conn.Write(said); err != nil {
		return false
	}
	_, err := io.ReadFull(conn, said)
	if err != nil && errors.Is(err, net.ErrClosed) {
		t.Fatal(err)
	}
	return err == nil
}

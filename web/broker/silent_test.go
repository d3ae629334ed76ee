package broker

import (
	"fmt"
	"net"
	"syscall"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// Attacks on the broker over TCP, from as many addresses of this machine as it takes:
// 127.0.0.0/8 are all its own (RFC 1122, section 3.2.1.3).

// dial connects from an address.
func (h *household) dialFrom(from string) net.Conn {
	h.t.Helper()
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(from)}, Timeout: patience}
	conn, err := d.DialContext(h.t.Context(), "tcp4", h.address[len("tcp://"):])
	if err != nil {
		h.t.Skip("SKIPPED: this machine has no such address: ", err)
	}
	h.t.Cleanup(func() { conn.Close() })
	conn.SetDeadline(time.Now().Add(patience))
	return conn
}

// welcomes reports whether a right account is let in.
func (h *household) welcomes(from string, who login) bool {
	h.t.Helper()
	conn := h.dialFrom(from)
	defer conn.Close()
	if greeting(who.name, who.token, 10).Write(conn) != nil {
		return false
	}
	answer, err := packets.ReadPacket(conn)
	return err == nil && answer.(*packets.ConnackPacket).ReturnCode == 0
}

// manyEach is how many connections of each of 250 addresses make 10,000, or as many as
// this machine lets a process have files, less those of all else.
func manyEach(t *testing.T) int {
	var files syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_NOFILE, &files); err != nil {
		t.Fatal(err)
	}
	each := min(40, (int(files.Cur)-1000)/250)
	t.Logf("%d files may be open: %d connections", files.Cur, 250*each)
	return each
}

// TestSilentCrowd has hundreds of connections that say nothing, from one address, from
// fifty, and from more than there are places, and then 10,000: right accounts get in all the same,
// whether the broker knows where they come from or not.
func TestSilentCrowd(t *testing.T) {
	for _, test := range []struct{ addresses, each int }{{1, 300}, {50, 8}, {200, 3}, {250, manyEach(t)}} {
		t.Run(fmt.Sprint(test.addresses), func(t *testing.T) {
			h := newHouse(t)
			if !h.welcomes("127.0.2.1", h.phone) {
				t.Fatal("a phone is not let in")
			}
			for i := range test.addresses {
				for range test.each {
					h.dialFrom(fmt.Sprint("127.0.3.", i+1))
				}
			}
			began := time.Now()
			if !h.welcomes("127.0.2.1", h.phone) || !h.welcomes("127.0.2.2", h.reader) {
				t.Error("they keep out who is right")
			}
			if d := time.Since(began); d > 2*time.Second {
				t.Errorf("it takes %v", d)
			}
		})
	}
}

// TestSilentFlood has thousands of new ones come as fast as they can, so that all places
// change hands within milliseconds: whoever comes from where an account came from before
// is let in at once, and others when they try again.
func TestSilentFlood(t *testing.T) {
	h := newHouse(t)
	for i := range 10 {
		if !h.welcomes(fmt.Sprint("127.0.2.", i+1), h.phone) {
			t.Fatal("a phone is not let in")
		}
	}
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			default:
			}
			d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 4, byte(i%250+1))}, Timeout: patience}
			if conn, err := d.Dial("tcp4", h.address[len("tcp://"):]); err == nil {
				h.t.Cleanup(func() { conn.Close() })
			}
			if i > 3000 {
				<-stop
				return
			}
		}
	}()
	for i := range 20 {
		tries, from := 1, fmt.Sprint("127.0.2.", i+1)
		for !h.welcomes(from, h.phone) && tries < 20 {
			tries++
		}
		if i < 10 && tries > 1 || tries == 20 {
			t.Errorf("from %s it takes %d tries", from, tries)
		}
	}
	close(stop)
	<-stopped
}

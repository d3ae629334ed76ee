// Package allow bounds how often a secret may be tried, and how much whoever
// tries may take up, so that nobody shuts a door by trying it.
//
// What comes in is where somebody comes from ([NetworkOf]), and what they try.
// What goes out is how long they have to wait:
//
//	wait := misses.Try(network) // counts it as wrong until it turns out right
//	if wait > 0 { … }           // come again after that
//	…
//	misses.Right(network)       // it was right: takes that back
//
// # No lock for all
//
// Nothing here counts all tries together, or one account's alone: whoever is bounded
// is bounded for what came from their own network. So a thousand addresses that
// guess make each other wait, and nobody else.
//
//   - [Misses] has each of many wait for its own wrong tries, longer each time.
//   - [Guesses] bound what all networks together guess of one account, and let a
//     network that did not guess before through all the same.
//   - [Rates] let each of many do something so many times at once, and then at a rate.
//   - [Turns] let a few do what takes much memory, and the others wait, fairly.
//   - [Crowd] and [Listen] bound the connections of a network, and of all; where
//     there are too many, the most crowded network loses one.
//
// All are safe for use by several goroutines, take the time from outside, and
// take a bounded amount of memory whatever comes: what was quiet for longest is
// forgotten first.
package allow

import (
	"net/netip"

	"github.com/hashicorp/golang-lru/v2/simplelru"
)

// A Network is where somebody comes from: an address of IPv4, or the 64 bits of an
// IPv6 address that a household's network has, in which one device has as many
// addresses as it likes (RFC 4291, section 2.5.4; RFC 8981). It is zero for what is
// no address.
type Network netip.Prefix

// NetworkOf returns the network of an address with a port, as http.Request and
// net.Conn have it.
func NetworkOf(remote string) Network {
	at, err := netip.ParseAddrPort(remote)
	if err != nil {
		return Network{}
	}
	a := at.Addr().WithZone("").Unmap()
	bits := 64
	if a.Is4() {
		bits = 32
	}
	p, _ := a.Prefix(bits)
	return Network(p)
}

// String is as in 192.0.2.7/32.
func (n Network) String() string { return netip.Prefix(n).String() }

// newMemory remembers so many, and forgets those that were asked for longest ago.
func newMemory[K comparable, V any](most int, forgotten func(K, V)) *simplelru.LRU[K, V] {
	l, err := simplelru.NewLRU(most, forgotten)
	if err != nil {
		panic("allow: a memory of nothing") // only if most is not positive
	}
	return l
}

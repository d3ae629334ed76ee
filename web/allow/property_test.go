package allow

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"
)

// A clock stands still until it is moved.
type clock struct{ at time.Time }

func newClock() *clock                { return &clock{time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC)} }
func (c *clock) now() time.Time       { return c.at }
func (c *clock) pass(d time.Duration) { c.at = c.at.Add(d) }

var waits = Waits{Free: 3, First: 30 * time.Second, Most: time.Hour, Forget: 24 * time.Hour}

// A household's server has hundreds of addresses that try all day long, at random
// and as fast as they can. Whatever they do, Misses lets each guess no more than its
// waits say, and never one before its wait is over; and somebody who is right and
// was never wrong waits for nothing.
func TestMissesProperty(t *testing.T) {
	for seed := range uint64(6) {
		roll, c := rand.New(rand.NewPCG(seed, 1)), newClock()
		m := NewMisses[int](c.now, waits)
		tries, last := make(map[int]int), make(map[int]time.Time)
		for began := c.now(); c.now().Sub(began) < 24*time.Hour; c.pass(time.Duration(roll.IntN(2000)) * time.Millisecond) {
			k := roll.IntN(50)
			wait := m.Try(k)
			owed := last[k].Add(waits.after(tries[k])).Sub(c.now())
			if tries[k] == 0 {
				owed = 0
			}
			if wait != max(0, owed) {
				t.Fatalf("seed %d: %d waits for %v, want %v", seed, k, wait, owed)
			}
			if wait == 0 {
				tries[k]++
				last[k] = c.now()
			}
			if m.Try(-1) != 0 {
				t.Fatalf("seed %d: who was never wrong waits", seed)
			}
			m.Right(-1)
		}
		for k, n := range tries {
			// 3 at once, 8 by waits of 30 s to 64 min that sum up to an hour and some, then one each hour.
			if n > 3+8+24 {
				t.Errorf("seed %d: %d tries of %d in a day", seed, n, k)
			}
		}
	}
}

// NIST SP 800-63B (revision 3), section 5.2.2: waits from "30 seconds up to an hour".
func TestWaits(t *testing.T) {
	want := []time.Duration{0, 0, 0, 30 * time.Second, time.Minute, 2 * time.Minute, 4 * time.Minute, 8 * time.Minute,
		16 * time.Minute, 32 * time.Minute, time.Hour, time.Hour}
	for wrong, wait := range want {
		if got := waits.after(wrong); got != wait {
			t.Errorf("after %d: %v, want %v", wrong, got, wait)
		}
	}
	if got := waits.after(1 << 40); got != time.Hour {
		t.Errorf("after very many: %v", got)
	}
}

func TestMissesForget(t *testing.T) {
	c := newClock()
	m := NewMisses[string](c.now, waits)
	for range 3 {
		m.Try("a")
	}
	if wait := m.Try("a"); wait != 30*time.Second {
		t.Errorf("the fourth waits for %v", wait)
	}
	m.Right("a") // was right in the end: two were wrong
	if wait := m.Try("a"); wait != 0 {
		t.Errorf("what was right counts: %v", wait)
	}
	c.pass(-time.Hour) // a clock that is set back
	if wait := m.Try("a"); wait > 30*time.Second {
		t.Errorf("a clock that was set back makes it %v", wait)
	}
	c.pass(25 * time.Hour)
	for i := range 3 {
		if wait := m.Try("a"); wait != 0 {
			t.Errorf("a day later, try %d waits for %v", i+1, wait)
		}
	}
}

// Guesses lets no more through than its comment says, from any number of networks
// that try whenever they may, and whoever is new gets in all the same while there
// are no more than it has room for.
func TestGuessesProperty(t *testing.T) {
	for _, test := range []struct {
		networks        int
		firstDay, month int
		newcomer        bool
	}{
		{1, 3 + 10 + 24, 3 + 10 + 720, true},
		{50, 150 + 10 + 24, 150 + 10 + 720, true},
		{200, 634, 600 + 730, true},
		{255, 799, 765 + 730, true},
		{1000, 802, 1498, false},
	} {
		t.Run(fmt.Sprint(test.networks), func(t *testing.T) {
			c, roll := newClock(), rand.New(rand.NewPCG(7, uint64(test.networks)))
			g := NewGuesses(c.now)
			newcomer := network(1 << 20)
			tries := 0
			for minute := range 30 * 24 * 60 {
				for range min(test.networks, 20) {
					if g.Try("account", network(roll.IntN(test.networks))) == 0 {
						tries++
					}
				}
				// Somebody at home mistypes twice, and is right.
				if minute%(6*60) == 0 && minute > 0 && test.newcomer {
					for range 3 {
						if wait := g.Try("account", newcomer); wait > 0 {
							t.Fatalf("minute %d: a new device waits for %v", minute, wait)
						}
					}
					g.Right("account", newcomer)
				}
				if c.pass(time.Minute); minute == 24*60-1 && tries > test.firstDay {
					t.Errorf("%d on the first day, want %d at most", tries, test.firstDay)
				}
			}
			if tries > test.month || tries < test.month/2 {
				t.Errorf("%d in 30 days, want %d at most", tries, test.month)
			}
			if wait := g.Try("another account", network(0)); wait > 0 {
				t.Errorf("another account waits for %v", wait)
			}
		})
	}
}

func network(i int) Network {
	return NetworkOf(fmt.Sprintf("[2001:db8:%x:%x::1]:1", i>>16, i&0xffff))
}

// Tries that were not made leave nothing behind: networks that were turned away take no
// room from those that come after them.
func TestUnmade(t *testing.T) {
	g := NewGuesses(newClock().now)
	for i := range 3 * GuessNetworks {
		if wait := g.Try("account", network(i)); wait > 0 {
			t.Fatalf("network %d waits for %v", i, wait)
		}
		g.Unmade("account", network(i))
	}
	if g.of.Len() != 0 {
		t.Errorf("%d networks are remembered", g.of.Len())
	}
	g.Try("account", network(1))
	g.Try("account", network(1))
	g.Unmade("account", network(1))
	for i := range 3 {
		if wait := g.Try("account", network(1)); i < 2 && wait > 0 {
			t.Errorf("try %d waits for %v", i+2, wait)
		}
	}
}

// After 30 days what was wrong is forgotten, and a network may guess anew.
func TestGuessesForget(t *testing.T) {
	c := newClock()
	g := NewGuesses(c.now)
	for i := range 300 {
		g.Try("account", network(i))
	}
	c.pass(guessMemory)
	g.Try("account", network(1000))
	if n := g.of.Len(); n != 1 {
		t.Errorf("%d networks are remembered", n)
	}
	for i := range accounts {
		if n := g.places[i].networks; n > 1 || n < 0 {
			t.Errorf("%d networks are counted at place %d", n, i)
		}
	}
}

// Whoever has addresses without end takes up no more memory than there is for it.
func TestMemoryIsBounded(t *testing.T) {
	c := newClock()
	m, r, g := NewMisses[Network](c.now, waits), NewRates[Network](c.now, time.Minute, 3), NewGuesses(c.now)
	for i := range 50_000 {
		m.Try(network(i))
		r.Allow(network(i))
		g.Try(fmt.Sprint("name ", i), network(i))
		c.pass(time.Millisecond)
	}
	if m.of.Len() != mostKeys || r.of.Len() != mostKeys || g.of.Len() != mostGuesses {
		t.Errorf("%d, %d and %d are remembered", m.of.Len(), r.of.Len(), g.of.Len())
	}
	counted := 0
	for i := range g.places {
		counted += g.places[i].networks
	}
	if counted != g.of.Len() {
		t.Errorf("%d networks are counted, and %d remembered", counted, g.of.Len())
	}
	// The newest are remembered.
	if r.Allow(network(49_999)); m.Try(network(49_999)) != 0 || m.of.Len() != mostKeys {
		t.Error("the newest are forgotten")
	}
}

func TestRates(t *testing.T) {
	c := newClock()
	r := NewRates[string](c.now, 30*time.Second, 5)
	for i := range 7 {
		if may, got := r.May("a"), r.Allow("a"); got != (i < 5) || may != got {
			t.Errorf("%d: %t, which was told as %t", i+1, got, may)
		}
	}
	if !r.May("b") || !r.Allow("b") {
		t.Error("another waits, too")
	}
	if c.pass(30 * time.Second); !r.Allow("a") || r.Allow("a") {
		t.Error("one each 30 seconds it is not")
	}
}

// RFC 4291, section 2.5.4: the first 64 bits are the network's. Section 2.5.5.2: an
// address of IPv4 may come as one of IPv6. RFC 4007, section 11: with a zone.
func TestNetworkOf(t *testing.T) {
	for remote, want := range map[string]string{
		"192.0.2.7:40000":                   "192.0.2.7/32",
		"[::ffff:192.0.2.7]:40000":          "192.0.2.7/32",
		"[2001:db8:1:2:3:4:5:6]:1":          "2001:db8:1:2::/64",
		"[2001:db8:1:2:ffff:ffff::9]:65535": "2001:db8:1:2::/64",
		"[2001:db8:1:3::1]:1":               "2001:db8:1:3::/64",
		"[fe80::1%eth0]:1":                  "fe80::/64",
		"[::1]:1":                           "::/64",
		"@":                                 "invalid Prefix",
		"":                                  "invalid Prefix",
	} {
		if got := NetworkOf(remote).String(); got != want {
			t.Errorf("%q: %s, want %s", remote, got, want)
		}
	}
}

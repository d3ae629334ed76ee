package web

import (
	"crypto/rand"
	"crypto/sha256"
	"fmt"
	"math/big"
	"sync"
	"time"
)

// A ticket lets somebody do one thing once, without a session: set Lintel up, pair
// a tablet, or look at a demo. Tickets live in memory only, so a restart voids them. What a
// command makes, too, is a [house.Link].
type ticket struct {
	purpose   purpose
	by        string // the resident who made it, "" for set-up
	expiresAt time.Time
	misses    int // how many wrong codes were tried while it was valid
}

type purpose int

const (
	forSetUp purpose = iota
	forPairing
	forDemo
)

// How long tickets are good for.
const (
	setUpLasts   = 24 * time.Hour
	pairingLasts = 5 * time.Minute
)

// maxMisses is how many wrong codes void the pairing codes that are out. Of 10^8
// codes, 2000 guesses hit one in 50,000 times, and only while a code is out. Each
// network has 6 guesses in that time (strangersWait), so that 300 networks have to
// guess to void one: more than the addresses of a household's IPv4 network. (NIST
// SP 800-63B, section 5.1.3.2, asks for 20 bits in such a code, with 100 guesses: one
// hits in 10,000 times.)
const maxMisses = 2000

type tickets struct {
	now func() time.Time

	mu  sync.Mutex
	out map[[32]byte]*ticket // by the hash of their code
}

func newTickets(now func() time.Time) *tickets {
	return &tickets{now: now, out: make(map[[32]byte]*ticket)}
}

// issue makes a ticket with a random code of 130 bits.
func (t *tickets) issue(p purpose, by string, lasts time.Duration) (code string) {
	code = rand.Text()
	t.add(code, p, by, lasts)
	return code
}

// issueDigits makes a ticket with a code of eight digits, to be typed. It
// takes the place of any other of the same purpose.
func (t *tickets) issueDigits(p purpose, by string, lasts time.Duration) (string, error) {
	n, err := rand.Int(rand.Reader, big.NewInt(100_000_000))
	if err != nil {
		return "", fmt.Errorf("making a code: %w", err)
	}
	code := fmt.Sprintf("%08d", n)
	t.void(p)
	t.add(code, p, by, lasts)
	return code, nil
}

func (t *tickets) add(code string, p purpose, by string, lasts time.Duration) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.out[sha256.Sum256([]byte(code))] = &ticket{purpose: p, by: by, expiresAt: t.now().Add(lasts)}
}

// void takes back every ticket of a purpose.
func (t *tickets) void(p purpose) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for h, k := range t.out {
		if k.purpose == p {
			delete(t.out, h)
		}
	}
}

// valid reports whether the code is good, without using it.
func (t *tickets) valid(code string, p purpose) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	_, ok := t.find(code, p)
	return ok
}

// use takes the ticket of that code, which can't be used again, and returns
// who made it.
func (t *tickets) use(code string, p purpose) (by string, ok bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	k, ok := t.find(code, p)
	if !ok {
		t.miss(p)
		return "", false
	}
	delete(t.out, sha256.Sum256([]byte(code)))
	return k.by, true
}

// find looks a code up by its hash, so how long it takes says nothing of how
// much of the code was right.
func (t *tickets) find(code string, p purpose) (*ticket, bool) {
	k, ok := t.out[sha256.Sum256([]byte(code))]
	if !ok || k.purpose != p || !t.now().Before(k.expiresAt) {
		return nil, false
	}
	return k, true
}

// miss counts a wrong code against all tickets of the purpose.
func (t *tickets) miss(p purpose) {
	for h, k := range t.out {
		if k.purpose != p {
			continue
		}
		if k.misses++; k.misses >= maxMisses {
			delete(t.out, h)
		}
	}
}

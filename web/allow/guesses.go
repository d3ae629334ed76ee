package allow

import (
	"hash/maphash"
	"sync"
	"time"

	"github.com/hashicorp/golang-lru/v2/simplelru"
	"golang.org/x/time/rate"
)

// Bounds of [Guesses].
const (
	GuessesEach    = 3   // of an account, from each network,
	GuessNetworks  = 256 // of so many: as many as an IPv4 network of a house (/24) has;
	GuessesBesides = 10  // of an account at once, by all that had theirs,
	guessEvery     = time.Hour
	guessMemory    = 30 * 24 * time.Hour

	accounts    = 4096
	mostGuesses = 16384
)

// Guesses bound what is guessed of an account from all networks together.
//
// Each network has [GuessesEach] tries of its own, which no other can take from it;
// it has them again after 30 days without one, or once it was right (NIST
// SP 800-63B, section 5.2.2: "the verifier SHOULD disregard any previous failed
// attempts for that user from the same IP address"). After those, and where there
// are more than [GuessNetworks] already, all networks share [GuessesBesides], and one
// each hour. So of one account there are, wrong ones alone counted,
//
//	3·N + 10 + 24   on the first day, of N networks; 802 for any number of them
//	24              on each day after that; 1,498 in 30 days
//
// Where the account is by its name makes no difference, nor whether it is there:
// names have places by a keyed hash, and two in one place share it. So no flood of
// names makes one forgotten, and nobody learns which there are.
type Guesses struct {
	now  func() time.Time
	seed maphash.Seed

	mu     sync.Mutex
	places [accounts]place
	of     *simplelru.LRU[guesser, *missed]
}

// A place is what all networks together did at an account.
type place struct {
	networks int
	shared   *rate.Limiter
}

type guesser struct {
	place uint16
	from  Network
}

// NewGuesses returns one in which nobody guessed yet.
func NewGuesses(now func() time.Time) *Guesses {
	g := &Guesses{now: now, seed: maphash.MakeSeed()}
	g.of = newMemory(mostGuesses, func(k guesser, _ *missed) { g.places[k.place].networks-- })
	return g
}

func (g *Guesses) guesser(account string, from Network) guesser {
	return guesser{uint16(maphash.String(g.seed, account) % accounts), from}
}

// Try counts a try at an account as wrong, and returns 0 if it may be made; or else
// counts nothing and returns after how long to come again, when another may have
// been faster.
func (g *Guesses) Try(account string, from Network) (wait time.Duration) {
	g.mu.Lock()
	defer g.mu.Unlock()
	now, k := g.now(), g.guesser(account, from)
	at := &g.places[k.place]
	g.forget(now)
	of, ok := g.of.Peek(k)
	switch {
	case ok && of.wrong < GuessesEach:
		g.of.Get(k) // now the last to be forgotten
	case !ok && at.networks < GuessNetworks:
		of = new(missed)
		g.of.Add(k, of)
		at.networks++
	default:
		return at.share(now)
	}
	of.wrong++
	of.last = now
	return 0
}

// forget lets go of what is too long ago.
func (g *Guesses) forget(now time.Time) {
	for k, of, ok := g.of.GetOldest(); ok && now.Sub(of.last) >= guessMemory; k, of, ok = g.of.GetOldest() {
		g.of.Remove(k)
	}
}

// share takes one of those that all share.
func (p *place) share(now time.Time) (wait time.Duration) {
	if p.shared == nil {
		p.shared = rate.NewLimiter(rate.Every(guessEvery), GuessesBesides)
	}
	r := p.shared.ReserveN(now, 1)
	if wait = r.DelayFrom(now); wait > 0 {
		r.CancelAt(now)
	}
	return wait
}

// Right forgets what was wrong of an account from a network.
func (g *Guesses) Right(account string, from Network) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.of.Remove(g.guesser(account, from))
}

// Unmade says that a try was not made after all.
func (g *Guesses) Unmade(account string, from Network) {
	g.mu.Lock()
	defer g.mu.Unlock()
	k := g.guesser(account, from)
	if of, ok := g.of.Peek(k); !ok {
		return
	} else if of.wrong > 1 {
		of.wrong--
	} else {
		g.of.Remove(k) // or it would count as a network that guesses
	}
}

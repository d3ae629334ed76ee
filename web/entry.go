package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"runtime"
	"runtime/debug"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/web/allow"
)

// An entry bounds tries at passwords and pairing codes: by the network that they come
// from, and of one account from all networks together, and never in all. A device
// that signed in before, and a session, have an allowance of their own instead, which
// nobody else can use up.
type entry struct {
	strangers *allow.Misses[allow.Network]
	devices   *allow.Misses[string]
	guesses   *allow.Guesses
	hashing   *allow.Turns
}

// Waits after wrong passwords and codes: 3 at once and 33 a day from a network, 10 at
// once and 40 a day from a device that is known.
var (
	strangersWait = allow.Waits{Free: 3, First: 30 * time.Second, Most: time.Hour, Forget: 24 * time.Hour}
	devicesWait   = allow.Waits{Free: 10, First: 30 * time.Second, Most: time.Hour, Forget: 24 * time.Hour}
)

// hashedAtOnce is how many passwords are hashed at once, which takes 64 MiB each.
const hashedAtOnce = 2

func newEntry(now func() time.Time) *entry {
	return &entry{allow.NewMisses[allow.Network](now, strangersWait), allow.NewMisses[string](now, devicesWait),
		allow.NewGuesses(now), allow.NewTurns(now, hashedAtOnce)}
}

// A try is one at an account's password. It counts as wrong until it was right.
type try struct {
	who    allow.Who
	right  func()
	unmade func() // says that it was not looked at
}

// try begins a try at an account, by the resident's id, or the name where it is nobody's:
// of a device that is known, or else from a network. The error says how long to wait.
func (e *entry) try(account, device string, from allow.Network) (try, error) {
	if device != "" {
		if wait := e.devices.Try(device); wait > 0 {
			return try{}, tooSoon(wait)
		}
		return try{allow.Who{Name: device, Known: true}, func() { e.devices.Clear(device) },
			func() { e.devices.Right(device) }}, nil
	}
	if wait := e.strangers.Try(from); wait > 0 {
		return try{}, tooSoon(wait)
	}
	account = strings.ToLower(account)
	unmade := func() { e.strangers.Right(from); e.guesses.Unmade(account, from) }
	if wait := e.guesses.Try(account, from); wait > 0 {
		e.strangers.Right(from)
		return try{}, tooSoon(wait)
	}
	right := func() { e.strangers.Right(from); e.guesses.Right(account, from) }
	return try{allow.Who{Name: from.String()}, right, unmade}, nil
}

// tooSoon says that there were too many tries, and how long to wait.
func tooSoon(wait time.Duration) problem {
	p := errAttempts
	p.Wait = wait
	return p
}

// networkOf is where a request comes from.
func networkOf(r *http.Request) allow.Network { return allow.NetworkOf(r.RemoteAddr) }

type turnKey struct{}

// turnOf returns who waits for a turn to hash: who was named, or else whose session it
// is, or whoever showed a link to join by.
func turnOf(ctx context.Context) allow.Who {
	if who, ok := ctx.Value(turnKey{}).(allow.Who); ok {
		return who
	}
	if who, ok := ctx.Value(sessionKey{}).(house.Session); ok {
		return allow.Who{Name: actor(who), Known: true}
	}
	return allow.Who{Known: true}
}

// inTurn does what takes as much memory as hashing does when it is the turn of whoever
// is behind the context. The error is errBusy where too many wait.
func (s *Server) inTurn(ctx context.Context, f func() error) error {
	done, err := s.entry.hashing.Take(ctx, turnOf(ctx))
	if errors.Is(err, allow.ErrBusy) {
		return errBusy
	}
	if err != nil {
		return fmt.Errorf("waiting to hash a password: %w", err)
	}
	defer done()
	defer s.letGo()
	if err := f(); err != nil {
		return fmt.Errorf("hashing a password: %w", err)
	}
	return nil
}

// letGo gives back the memory of a password that was hashed. The library takes it anew
// for each, and by itself Go would have let several of them lie about.
func (s *Server) letGo() {
	if s.entry.hashing.Waiting() == 0 {
		debug.FreeOSMemory()
	} else {
		runtime.GC()
	}
}

package broker

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"errors"
	"fmt"
	"slices"
	"time"

	"lintel/internal/house"
	"lintel/web/allow"
)

// An account is somebody who may connect. The token is kept while they are, to
// see that it still is theirs.
type account struct {
	id      string
	kind    accountKind
	token   string
	source  house.Source  // of a source
	program house.Program // of a program
}

type accountKind string

const (
	sourceAccount   accountKind = "source"
	receiverAccount accountKind = "receiver"
	bellAccount     accountKind = "bell" // whose address is its id
	programAccount  accountKind = "program"
)

// known reports whether there is an account of that name.
func (b *Broker) known(ctx context.Context, name string) (bool, error) {
	sources, err := b.Archive.Sources(ctx)
	if err != nil {
		return false, err
	}
	receivers, err := b.Archive.Receivers(ctx)
	if err != nil {
		return false, err
	}
	programs, err := b.Archive.Programs(ctx)
	if err != nil {
		return false, err
	}
	_, bell := b.Archive.CheckBell(ctx, name, "")
	return bell == nil || slices.ContainsFunc(sources, func(s house.Source) bool { return s.ID == name }) ||
		slices.ContainsFunc(receivers, func(r house.Receiver) bool { return r.ID == name }) ||
		slices.ContainsFunc(programs, func(p house.Program) bool { return p.ID == name }), nil
}

// account returns whose name and token it is. The error is errNobody for any
// that do not go together. All kinds are looked for in any case, and tokens by
// their hashes, so that time says nothing.
func (b *Broker) account(ctx context.Context, name, token string) (account, error) {
	source, sourceErr := b.Archive.SourceOf(ctx, token)
	receives, receiverErr := b.Archive.CheckReceiver(ctx, name, token)
	rings, bellErr := b.Archive.CheckBell(ctx, name, token)
	program, programErr := b.Archive.ProgramOf(ctx, token)
	for _, err := range []error{sourceErr, receiverErr, bellErr, programErr} {
		if err != nil && !errors.Is(err, house.ErrNotFound) {
			return account{}, fmt.Errorf("looking up an account: %w", err)
		}
	}
	switch {
	case sourceErr == nil && same(source.ID, name):
		return account{id: name, kind: sourceAccount, token: token, source: source}, nil
	case receives:
		return account{id: name, kind: receiverAccount, token: token}, nil
	case bellErr == nil && rings:
		return account{id: name, kind: bellAccount, token: token}, nil
	case programErr == nil && same(program.ID, name) && program.Scopes.Hears():
		return account{id: name, kind: programAccount, token: token, program: program}, nil
	}
	return account{}, errNobody
}

func same(a, b string) bool { return subtle.ConstantTimeCompare([]byte(a), []byte(b)) == 1 }

// newName is a name for a connection that no other has.
func newName() string { return rand.Text() }

// An origin is where attempts come from: the name is an account's, or empty for
// all names that are not.
type origin struct {
	from allow.Network
	name string
}

// Of wrong tokens, so many may be given at once in a name from a network, and then
// one each half minute. Only failures are counted, so devices that reconnect often
// are not kept out, and only against that name from there, so nobody else is, either.
const (
	failuresAtOnce = 5
	failureTime    = 30 * time.Second
)

package house

import (
	"context"
	"encoding/hex"
	"fmt"
	"time"
)

// An Entry of the audit trail says who did what to what. It names ids, never
// names or pictures.
type Entry struct {
	Seq     int64     `json:"seq"` // 1, 2, 3 …
	At      time.Time `json:"at"`
	Actor   string    `json:"actor"`   // see [By]
	Action  string    `json:"action"`  // one word: looked, erased, held …
	Subject string    `json:"subject"` // such as "visit ID"
	Before  [32]byte  `json:"-"`       // hash of the entry before, zeros for the first
	Hash    [32]byte  `json:"-"`
}

// Text is what an entry's hash is the SHA-256 of: the hash before it in
// hexadecimal, and the entry's fields, with tabs between and a line end after.
// So the trail can be checked with sha256sum(1) alone.
func (e Entry) Text() string {
	return fmt.Sprintf("%s\t%d\t%s\t%s\t%s\t%s\n", hex.EncodeToString(e.Before[:]), e.Seq,
		e.At.UTC().Format("2006-01-02T15:04:05.000000Z"), e.Actor, e.Action, e.Subject)
}

type actorKey struct{}

// Actors that are nobody in particular. A resident is "resident ID", a tablet
// "tablet ID", a program "program ID".
const (
	ByCommand = "command" // somebody at the server's command line
	ByItself  = "itself"  // the server, going by the rules
)

// By says who is behind what is done with the context, for the audit trail.
func By(ctx context.Context, actor string) context.Context {
	return context.WithValue(ctx, actorKey{}, actor)
}

// Actor returns who is behind what is done with the context, the server itself
// if [By] never said.
func Actor(ctx context.Context) string {
	if actor, ok := ctx.Value(actorKey{}).(string); ok {
		return actor
	}
	return ByItself
}

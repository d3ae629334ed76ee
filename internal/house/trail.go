package house

import (
	"context"
	"encoding/hex"
	"fmt"
	"regexp"
	"strings"
	"time"
)

// An Entry of the audit trail says who did what to what. It names ids, never
// names or pictures.
type Entry struct {
	Seq     int64     `json:"seq"` // 1, 2, 3 …
	At      time.Time `json:"at"`
	Actor   string    `json:"actor"`   // see [By]
	Action  string    `json:"action"`  // one word: looked, erased, held …
	Subject string    `json:"subject"` // as it is hashed; see [Entry.About]
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

// A Part is one of the things that an entry is about: a word such as visit, and
// the id, the number or the time that goes with it, if one does.
type Part struct{ What, Value string }

// About returns what the entry is about. Its subject has words and values in
// turn, with spaces between: "rules", "visit ID", "advice ID visit ID".
func (e Entry) About() (parts []Part) {
	subject := e.Subject
	for _, former := range formerSubjects {
		subject = former.was.ReplaceAllString(subject, former.is)
	}
	words := strings.Split(subject, " ")
	for i := 0; i < len(words); i += 2 {
		parts = append(parts, Part{What: words[i], Value: strings.Join(words[i+1:min(i+2, len(words))], "")})
	}
	return parts
}

// Of returns the value that goes with a word, "" if the entry has none.
func (e Entry) Of(what string) string {
	for _, p := range e.About() {
		if p.What == what {
			return p.Value
		}
	}
	return ""
}

// formerSubjects are how earlier versions wrote some subjects: as words of a
// sentence. Such entries keep their bytes, since each hash after them is made of
// them. This table reads them.
var formerSubjects = []struct {
	was *regexp.Regexp
	is  string
}{
	{regexp.MustCompile(`^(advice \S+) on (visit \S+)$`), "$1 $2"},
	{regexp.MustCompile(`^(still \S+) of (visit \S+)$`), "$1 $2"},
	{regexp.MustCompile(`^(masks|lens|stills) of bell (\S+)$`), "$1 $2"},
	{regexp.MustCompile(`^one-time codes of person (\S+)$`), "codes $1"},
	{regexp.MustCompile(`^rules of advice$`), "advice-rules"},
	{regexp.MustCompile(`^visits (\d+), stills of (\d+), smaller (\d+)$`), "visits $1 stills $2 smaller $3"},
	{regexp.MustCompile(`^period (\S+) (\S+)$`), "from $1 until $2"},
}

type actorKey struct{}

// Actors that are nobody in particular. A resident is "resident ID", a tablet
// "tablet ID".
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

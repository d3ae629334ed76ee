package broker

import (
	"cmp"
	"errors"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/advice/geofence"
	"lintel/pipeline/advice/totp"
)

// A refused is why the broker refuses something: a code, which package words has
// sentences for, and the words of the log.
type refused struct{ code, says string }

func (r refused) Error() string { return r.says }

// Why connections end, and what in them is refused.
var (
	errLevel      = refused{"level", "it is not MQTT 3.1.1"}
	errIdentifier = refused{"identifier", "it wanted a session kept, in no name"}
	errNoName     = refused{"no-name", "it gave no user name and password that could be ones"}
	errOften      = refused{"often", "too many failed attempts"}
	errNobody     = refused{"nobody", "nobody has this name and token"}
	errWill       = refused{"will", "it wanted to leave a will"}
	errRemoved    = refused{"removed", "it was removed"}
	errPacket     = refused{"packet", "it sent what it has no reason to send"}
	errMalformed  = refused{"malformed", "it sent what is no packet of MQTT 3.1.1"}
	errTopic      = refused{"topic", "it published where it may not"}
	errRetained   = refused{"retained", "it published a retained message"}
	errQoS        = refused{"qos", "it published with QoS 2"}
	errTooLarge   = refused{"too-large", "it published too large a message"}
	errFilter     = refused{"filter", "it subscribed to what it may not hear"}
	errMessage    = refused{"message", "its message was refused"}

	errArchive  = errors.New("the archive could not be asked")
	errAgain    = errors.New("it connected again")
	errNotKept  = errors.New("its message could not be kept")
	errSilent   = errors.New("it said nothing, and another wanted its place")
	errFlood    = errors.New("it sent stills too often")
	errFull     = errors.New("too many stills were on their way")
	errStopping = errors.New("the server is stopping")
)

// A Refusal is how often something was refused since the server started, by the
// code of why.
type Refusal struct {
	Why   string
	Times int
	Last  time.Time
}

// A tally counts what was refused.
type tally struct {
	now func() time.Time

	mu sync.Mutex
	of map[string]Refusal
}

func (t *tally) count(why error) {
	var r refused
	if !errors.As(why, &r) {
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.of[r.code] = Refusal{r.code, t.of[r.code].Times + 1, t.now()}
}

// Refusals lists what was refused since the broker was made, the latest first.
func (b *Broker) Refusals() []Refusal {
	b.tally.mu.Lock()
	defer b.tally.mu.Unlock()
	return slices.SortedFunc(maps.Values(b.tally.of), func(x, y Refusal) int {
		return cmp.Or(y.Last.Compare(x.Last), strings.Compare(x.Why, y.Why))
	})
}

// refusals are what is wrong with messages, in the words of the log. An error's
// own text is not written there: it may repeat the message.
var refusals = []struct {
	err  error
	kind string
}{
	{evidence.ErrMessage, "no message"},
	{evidence.ErrNotTheirs, "not theirs to tell"},
	{evidence.ErrNoToken, "nobody's token"},
	{evidence.ErrCounter, "counter"},
	{evidence.ErrNonce, "nonce"},
	{evidence.ErrMAC, "mac"},
	{evidence.ErrUnsigned, "not signed"},
	{evidence.ErrNoKey, "no key to sign with"},
	{evidence.ErrForged, "signed by another key"},
	{evidence.ErrReplayed, "came before"},
	{evidence.ErrReaderClock, "a reader's clock"},
	{evidence.ErrNonces, "too many nonces"},
	{evidence.ErrNoHome, "no home"},
	{evidence.ErrGuesses, "too many wrong codes"},
	{totp.ErrFormat, "no code"},
	{totp.ErrWrong, "wrong code"},
	{totp.ErrReused, "code used before"},
	{evidence.ErrTwice, "twice"},
	{evidence.ErrList, "list"},
	{evidence.ErrLatitude, "lat"},
	{evidence.ErrLongitude, "lon"},
	{evidence.ErrTime, "time"},
	{evidence.ErrCrossing, "crossing"},
	{evidence.ErrCode, "code"},
	{evidence.ErrToken, "token"},
	{geofence.ErrPosition, "no position"},
	{geofence.ErrAccuracy, "accuracy"},
	{geofence.ErrFuture, "from the future"},
	{geofence.ErrOld, "too old"},
	{geofence.ErrOrder, "not later than the one before"},
	{geofence.ErrSpeed, "too fast"},
	{geofence.ErrHome, "no home"},
	{house.ErrNotFound, "not there"},
}

// refusal says what is wrong with a message, and whether it is the message at
// all that something is wrong with. A failed attempt that could not be counted
// is no such error of the inbox's.
func refusal(err error) (kind string, refused bool) {
	for _, r := range refusals {
		if errors.Is(err, r.err) {
			return r.kind, true
		}
	}
	return "", false
}

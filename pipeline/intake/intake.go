// Package intake takes in what bells send.
//
//	in := intake.New(archive, time.Now, intake.DefaultLimits)
//	err := in.Authenticate(ctx, bell, secret)
//	done, wait, err := in.Allow(bell, size) // before the body is read
//	defer done()
//	receipt, err := in.Receive(ctx, intake.Delivery{Bell: bell, Ring: ring, Frame: 0, Body: jpeg})
//
// What comes in is a delivery: one frame of a ring, as bytes a bell sent, with
// what the bell says of itself. What goes out is a receipt, once the still is
// durable; a bell may be answered only then. Between the two the delivery is
//
//   - authenticated, by the bell's secret;
//   - bounded, in how often a bell sends and how much at once ([Limits]), in
//     bytes, in pixels, and in the memory that decoding takes ([Open]);
//   - recognised, if it came before: a bell that heard no answer sends again,
//     and gets the same receipt;
//   - let go at once, if the household keeps nothing at this time of the week;
//   - decoded, when it is its bell's turn (package decoding), and made fit to
//     keep, without anything but its pixels ([Clean]);
//   - masked, where the bell must not look;
//   - kept.
//
// Everything that is refused is refused with an error of this package, or
// [house.ErrOtherBytes] or [house.ErrNoSpace], and leaves nothing behind.
// How deliveries arrive, by HTTP or otherwise, is not this package's concern.
package intake

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"regexp"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"lintel/internal/house"
	"lintel/pipeline/decoding"
)

// Errors that callers test for with errors.Is, besides those of [Clean].
var (
	ErrUnknownBell = errors.New("no bell of this name")
	ErrWrongSecret = errors.New("this is not the bell's secret")
	ErrTooOften    = errors.New("the bell sends too often; send again later")
	ErrBadRing     = errors.New("a ring's id has 1 to 64 characters of A-Z a-z 0-9 . _ -")
	ErrBadFrame    = errors.New("a frame's number is 0 to 15")
	// ErrPast and ErrFuture are of old stills that are brought in.
	ErrPast   = errors.New("the still is older than any is kept")
	ErrFuture = errors.New("the still is from the future")
)

// MaxFrame is the highest number of a frame.
const MaxFrame = 15

var ringID = regexp.MustCompile(`^[A-Za-z0-9._-]{1,64}$`)

// A Delivery is one frame as a bell sent it.
type Delivery struct {
	Bell    string
	Ring    string // chosen by the bell, the same for all frames of one press
	Frame   int
	TakenAt time.Time // by the bell's clock; zero where it did not say
	Body    []byte
	// Took is how long its bytes were on their way, 0 where that is not known.
	Took time.Duration
	// Came is when an old still came that is brought in only now; zero for one
	// that comes now. Rules go by it, and nobody rings.
	Came time.Time
}

// A Receipt says that a still is safe.
type Receipt struct {
	Visit string `json:"visit"`
	Ring  string `json:"ring"`
	Frame int    `json:"frame"`
	// New is false if the same frame with the same bytes was here before.
	New     bool `json:"new"`
	Damaged bool `json:"damaged"`
	// Kept is false at a time of the week when nothing is kept: the still
	// was let go, and there is no visit.
	Kept bool `json:"kept"`
	// ClockSkew is how far the bell's clock is ahead of the server's.
	ClockSkew time.Duration `json:"-"`
}

// Limits bound what one bell may send.
type Limits struct {
	PerMinute float64 // stills, in the long run
	Burst     int     // stills at once
	Underway  int     // stills that are being sent or wait to be decoded
	Bytes     int64   // bytes of these

	// Bells is how many bells may have stills underway at once, 0 for any number.
	Bells int
}

// DefaultLimits let a ring of all its frames through at once, and the next
// after a few seconds. Of bells that ring at once six are taken in, and the next is
// told to wait: that is what two cores do in about half a second (cmd/lintel/MEASUREMENTS.md).
var DefaultLimits = Limits{PerMinute: 60, Burst: 2 * (MaxFrame + 1), Underway: MaxFrame + 1, Bytes: 3 * MaxBytes,
	Bells: 6}

// tryAgain is after how long room for another delivery is likely.
const tryAgain = time.Second

// An Archive is what intake needs of the store.
type Archive interface {
	CheckBell(ctx context.Context, name, secret string) (bool, error)
	Find(ctx context.Context, bell, ring string, frame int, sent [32]byte) (s house.Still, found bool, err error)
	Rules(ctx context.Context) (house.Rules, error)
	Masks(ctx context.Context, bell string) (masks []house.Polygon, revision int64, err error)
	Keep(ctx context.Context, n house.NewStill) (visit string, added bool, err error)
}

// An Intake takes in deliveries. It is safe for use by several goroutines.
type Intake struct {
	archive Archive
	now     func() time.Time
	limits  Limits

	mu      sync.Mutex
	bells   map[string]*sender
	sending int           // bells with something underway
	taking  int           // stills that are being taken in
	idle    chan struct{} // closed while there are none
}

// A sender is a bell with what it sends.
type sender struct {
	rate     *rate.Limiter
	underway int
	bytes    int64
}

// New returns an Intake that keeps what it takes in archive.
func New(archive Archive, now func() time.Time, limits Limits) *Intake {
	idle := make(chan struct{})
	close(idle)
	return &Intake{
		archive: archive, now: now, limits: limits,
		bells: make(map[string]*sender), idle: idle,
	}
}

// Idle returns a channel that is closed when no still is being taken in, so that
// what has more time can wait for that.
func (in *Intake) Idle() <-chan struct{} {
	in.mu.Lock()
	defer in.mu.Unlock()
	return in.idle
}

// take counts a still that is being taken in, until taken is called.
func (in *Intake) take() (taken func()) {
	in.mu.Lock()
	defer in.mu.Unlock()
	if in.taking++; in.taking == 1 {
		in.idle = make(chan struct{})
	}
	return func() {
		in.mu.Lock()
		defer in.mu.Unlock()
		if in.taking--; in.taking == 0 {
			close(in.idle)
		}
	}
}

// Authenticate checks a bell's secret. It comes before anything is read of
// what the bell sends. The error is ErrUnknownBell or ErrWrongSecret.
//
// Wrong secrets are not counted: a secret has 130 random bits, so guessing is
// hopeless, while a lock-out would let anybody silence the bell.
func (in *Intake) Authenticate(ctx context.Context, bell, secret string) error {
	right, err := in.archive.CheckBell(ctx, bell, secret)
	switch {
	case errors.Is(err, house.ErrNotFound):
		return ErrUnknownBell
	case err != nil:
		return fmt.Errorf("authenticating a bell: %w", err)
	case !right:
		return ErrWrongSecret
	}
	return nil
}

// Vouch is Authenticate for what comes by a way that only the household can open,
// such as a folder of the server's machine: it asks for no secret. The error is
// ErrUnknownBell.
func (in *Intake) Vouch(ctx context.Context, bell string) error {
	err := in.Authenticate(ctx, bell, "")
	if errors.Is(err, ErrWrongSecret) {
		return nil
	}
	return err
}

// Allow counts one delivery of so many bytes against what a bell may send that
// was authenticated: how often, and how much of it may be underway at once, for
// while it waits for its turn its body takes up memory. It comes before the body
// is read; a size that is not known is -1 and counts as the most there can be.
// done says that the delivery is over, and must be called unless there is an
// error. That is ErrTooOften, and wait says when to send again.
func (in *Intake) Allow(bell string, size int64) (done func(), wait time.Duration, err error) {
	if size < 0 || size > MaxBytes {
		size = MaxBytes
	}
	in.mu.Lock()
	defer in.mu.Unlock()
	s := in.bells[bell]
	if s == nil {
		s = &sender{rate: rate.NewLimiter(rate.Limit(in.limits.PerMinute/60), in.limits.Burst)}
		in.bells[bell] = s
	}
	full := in.limits.Bells > 0 && s.underway == 0 && in.sending >= in.limits.Bells
	if full || s.underway == in.limits.Underway || s.bytes+size > in.limits.Bytes {
		return nil, tryAgain, ErrTooOften
	}
	now := in.now()
	r := s.rate.ReserveN(now, 1)
	if wait := r.DelayFrom(now); wait > 0 {
		r.CancelAt(now)
		return nil, wait, ErrTooOften
	}
	if s.underway == 0 {
		in.sending++
	}
	s.underway++
	s.bytes += size
	return func() {
		in.mu.Lock()
		defer in.mu.Unlock()
		s.underway--
		s.bytes -= size
		if s.underway == 0 {
			in.sending--
		}
	}, 0, nil
}

// CheckNames reports whether ring and frame are well formed: ErrBadRing or
// ErrBadFrame if not.
func CheckNames(ring string, frame int) error {
	if !ringID.MatchString(ring) {
		return ErrBadRing
	}
	if frame < 0 || frame > MaxFrame {
		return ErrBadFrame
	}
	return nil
}

// Receive keeps a delivery of a bell that was authenticated, and returns when
// its still is durable, or when it was let go since nothing is kept now.
func (in *Intake) Receive(ctx context.Context, d Delivery) (Receipt, error) {
	if err := CheckNames(d.Ring, d.Frame); err != nil {
		return Receipt{}, err
	}
	defer in.take()()
	now, sent := in.now(), sha256.Sum256(d.Body)
	receivedAt, old := now, !d.Came.IsZero()
	if old {
		receivedAt = d.Came
	}
	kept, found, err := in.archive.Find(ctx, d.Bell, d.Ring, d.Frame, sent)
	if err != nil {
		return Receipt{}, err
	}
	if found {
		return Receipt{
			Visit: kept.Visit, Ring: d.Ring, Frame: d.Frame, Kept: true,
			Damaged: kept.Damaged, ClockSkew: skew(kept.TakenAt, kept.ReceivedAt),
		}, nil
	}
	rules, err := in.archive.Rules(ctx)
	if err != nil {
		return Receipt{}, err
	}
	if old {
		if err := keepable(rules, receivedAt, now); err != nil {
			return Receipt{}, err
		}
	}
	if rules.QuietAt(receivedAt) {
		return Receipt{Ring: d.Ring, Frame: d.Frame, ClockSkew: skew(d.TakenAt, receivedAt)}, nil
	}
	masks, revision, err := in.archive.Masks(ctx, d.Bell)
	if err != nil {
		return Receipt{}, err
	}
	still, err := clean(ctx, d, masks)
	if err != nil {
		return Receipt{}, err
	}
	receipt := Receipt{Ring: d.Ring, Frame: d.Frame, Kept: true, Damaged: still.Damaged,
		ClockSkew: skew(d.TakenAt, receivedAt)}
	receipt.Visit, receipt.New, err = in.archive.Keep(ctx, house.NewStill{
		Bell: d.Bell, Ring: d.Ring, Frame: d.Frame, SentSHA256: sent,
		JPEG: still.JPEG, Width: still.Size.X, Height: still.Size.Y, Damaged: still.Damaged,
		ReceivedAt: receivedAt, TakenAt: d.TakenAt, Masked: revision, Imported: old,
	})
	if err != nil {
		return Receipt{}, fmt.Errorf("keeping a still: %w", err)
	}
	return receipt, nil
}

// keepable says of an old still whether the rules keep a still of any kind for so
// long: nil, ErrPast or ErrFuture. Whose rule it goes by is known once it is
// examined.
func keepable(r house.Rules, came, now time.Time) error {
	if came.After(now) {
		return ErrFuture
	}
	for _, kind := range house.Kinds {
		if r.For(kind).Stills.After(came, r.Location()).After(now) {
			return nil
		}
	}
	return ErrPast
}

// skew returns how far the bell's clock is ahead, 0 if it did not say its time.
func skew(takenAt, receivedAt time.Time) time.Duration {
	if takenAt.IsZero() {
		return 0
	}
	return takenAt.Sub(receivedAt)
}

// clean makes a delivery fit to keep, when it is its bell's turn.
func clean(ctx context.Context, d Delivery, masks []house.Polygon) (Still, error) {
	sent, err := Open(d.Body)
	if err != nil {
		return Still{}, err
	}
	memory := sent.Memory()
	if len(masks) > 0 {
		memory = max(memory, sent.maskMemory())
	}
	end, err := decoding.Begin(ctx, "bell "+d.Bell, memory)
	if err != nil {
		return Still{}, err
	}
	defer end()
	still, err := sent.Clean()
	if err != nil {
		return Still{}, err
	}
	return still.Mask(masks)
}

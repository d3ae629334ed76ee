// Package intake takes in what bells send.
//
//	in := intake.New(archive, time.Now, intake.DefaultLimits)
//	err := in.Authenticate(ctx, bell, secret)
//	receipt, err := in.Receive(ctx, intake.Delivery{Bell: bell, Ring: ring, Frame: 0, Body: jpeg})
//
// What comes in is a delivery: one frame of a ring, as bytes a bell sent, with
// what the bell says of itself. What goes out is a receipt, once the still is
// durable; a bell may be answered only then. Between the two the delivery is
//
//   - authenticated, by the bell's secret;
//   - bounded, in how often a bell sends ([Limits]), in bytes and in pixels;
//   - recognised, if it came before: a bell that heard no answer sends again,
//     and gets the same receipt;
//   - let go at once, if the household keeps nothing at this time of the week;
//   - decoded and made fit to keep, without metadata ([Clean]);
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
)

// Errors that callers test for with errors.Is, besides those of [Clean].
var (
	ErrUnknownBell = errors.New("no bell of this name")
	ErrWrongSecret = errors.New("this is not the bell's secret")
	ErrTooOften    = errors.New("the bell sends too often; send again later")
	ErrBadRing     = errors.New("a ring's id has 1 to 64 characters of A-Z a-z 0-9 . _ -")
	ErrBadFrame    = errors.New("a frame's number is 0 to 15")
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
	Parallel  int     // stills being decoded at once, of all bells
}

// DefaultLimits let a ring of all its frames through at once, and the next
// after a few seconds.
var DefaultLimits = Limits{PerMinute: 60, Burst: 2 * (MaxFrame + 1), Parallel: 2}

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
	decode  chan struct{} // holds a token for each still being decoded

	mu    sync.Mutex
	bells map[string]*rate.Limiter
}

// New returns an Intake that keeps what it takes in archive.
func New(archive Archive, now func() time.Time, limits Limits) *Intake {
	return &Intake{
		archive: archive, now: now, limits: limits,
		decode: make(chan struct{}, limits.Parallel),
		bells:  make(map[string]*rate.Limiter),
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

// Allow counts one delivery against the rate of a bell that was
// authenticated. The error is ErrTooOften, and wait says when to send again.
func (in *Intake) Allow(bell string) (wait time.Duration, err error) {
	now := in.now()
	r := in.limiter(bell).ReserveN(now, 1)
	if wait := r.DelayFrom(now); wait > 0 {
		r.CancelAt(now)
		return wait, ErrTooOften
	}
	return 0, nil
}

func (in *Intake) limiter(bell string) *rate.Limiter {
	in.mu.Lock()
	defer in.mu.Unlock()
	l, ok := in.bells[bell]
	if !ok {
		l = rate.NewLimiter(rate.Limit(in.limits.PerMinute/60), in.limits.Burst)
		in.bells[bell] = l
	}
	return l
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
	receivedAt, sent := in.now(), sha256.Sum256(d.Body)
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
	if rules.QuietAt(receivedAt) {
		return Receipt{Ring: d.Ring, Frame: d.Frame, ClockSkew: skew(d.TakenAt, receivedAt)}, nil
	}
	masks, revision, err := in.archive.Masks(ctx, d.Bell)
	if err != nil {
		return Receipt{}, err
	}
	still, err := in.clean(ctx, d.Body, masks)
	if err != nil {
		return Receipt{}, err
	}
	size := still.Image.Bounds().Size()
	receipt := Receipt{Ring: d.Ring, Frame: d.Frame, Kept: true, Damaged: still.Damaged,
		ClockSkew: skew(d.TakenAt, receivedAt)}
	receipt.Visit, receipt.New, err = in.archive.Keep(ctx, house.NewStill{
		Bell: d.Bell, Ring: d.Ring, Frame: d.Frame, SentSHA256: sent,
		JPEG: still.JPEG, Width: size.X, Height: size.Y, Damaged: still.Damaged,
		ReceivedAt: receivedAt, TakenAt: d.TakenAt, Masked: revision,
	})
	if err != nil {
		return Receipt{}, fmt.Errorf("keeping a still: %w", err)
	}
	return receipt, nil
}

// skew returns how far the bell's clock is ahead, 0 if it did not say its time.
func skew(takenAt, receivedAt time.Time) time.Duration {
	if takenAt.IsZero() {
		return 0
	}
	return takenAt.Sub(receivedAt)
}

// clean waits for its turn to decode: a large picture takes much memory.
func (in *Intake) clean(ctx context.Context, body []byte, masks []house.Polygon) (Still, error) {
	select {
	case in.decode <- struct{}{}:
		defer func() { <-in.decode }()
		still, err := Clean(body)
		if err != nil {
			return Still{}, err
		}
		return still.Mask(masks)
	case <-ctx.Done():
		return Still{}, fmt.Errorf("waiting to decode: %w", ctx.Err())
	}
}

package bell

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"lintel/internal/house"
)

// Records are what a [Watch] needs of the store.
type Records interface {
	Bells(context.Context) ([]house.Bell, error)
	Rules(context.Context) (house.Rules, error)
	Visit(ctx context.Context, id string) (house.Visit, error)
	KeepHeartbeat(ctx context.Context, bell string, h house.Heartbeat) error
	ChangeBellHealth(ctx context.Context, bell string, change func(*house.Health) error) error
	BellHealth(ctx context.Context, bell string) (house.Health, error)
	AddBellDay(ctx context.Context, bell string, d house.BellDay) error
	BellView(ctx context.Context, bell string) (view []byte, err error)
	KeepBellView(ctx context.Context, bell string, view []byte) error
	ForgetHealth(context.Context) error
}

// The bounds of what is well.
const (
	// ClockOff is by how much a bell's clock may differ. What is suggested goes by
	// the same (package policy).
	ClockOff = 10 * time.Second
	// LowBattery is the percent at which a battery is nearly empty, and
	// FullEnough that at which it is no more. Common practice, no source.
	LowBattery, FullEnough = 15, 20
	// Missing is how many heartbeats may stay away before a bell is quiet.
	Missing = 3
	// LookEvery is how often [Watch.Look] is meant to be called.
	LookEvery = time.Minute
	// jump is by how much the server's clock may go otherwise than time itself
	// between two looks.
	jump = 5 * time.Second
	// mostCame bounds what waits to be written down where that fails.
	mostCame = 10_000
)

// A Watch sees how bells are: by their heartbeats, by how their stills come, and by
// what is on those. It is safe for use by several goroutines.
//
// A bell is quiet once as many of its heartbeats as [Missing] stayed away, while the
// server was there to hear them: after a start, a sleep of the machine or a jump of
// its clock that time begins anew. A bell that never sent one is never quiet.
type Watch struct {
	archive Records
	log     *slog.Logger
	now     func() time.Time
	elapsed func() time.Duration // since any moment, by a clock that can't be set

	mu       sync.Mutex
	hears    time.Time     // since when the server hears without a break
	lastNow  time.Time     // of the last look, by both clocks
	lastGone time.Duration //
	rates    map[string]*rate.Limiter
	rang     map[string]string // the last ring of each bell
	seen     map[string]string // the last visit of each bell, by id, that was looked at
	came     []came            // that is not written down yet
	viewing  sync.Mutex        // held while a view is read and kept, and seen
}

// What came is a still.
type came struct {
	bell string
	at   time.Time
	house.BellDay
}

// NewWatch begins to hear.
func NewWatch(archive Records, log *slog.Logger, now func() time.Time, elapsed func() time.Duration) *Watch {
	return &Watch{
		archive: archive, log: log, now: now, elapsed: elapsed,
		hears: now(), lastNow: now().Round(0), lastGone: elapsed(),
		rates: make(map[string]*rate.Limiter), rang: make(map[string]string), seen: make(map[string]string),
	}
}

// An Answer is what a bell hears after a heartbeat.
type Answer struct {
	Time time.Time `json:"time"`   // the server's
	Next int64     `json:"next_s"` // seconds until the next is expected
}

// Receive takes in a heartbeat of a bell that was authenticated, however it came.
// The errors are ErrTooOften, those of [Read], and the archive's.
func (w *Watch) Receive(ctx context.Context, bell string, payload []byte) (Answer, error) {
	now := w.now()
	if !w.limiter(bell).AllowN(now, 1) {
		return Answer{}, ErrTooOften
	}
	beat, err := Read(payload, now)
	if err != nil {
		return Answer{}, err
	}
	health, err := w.archive.BellHealth(ctx, bell)
	if err != nil {
		return Answer{}, err
	}
	next := health.Every()
	if next == 0 {
		next = house.MaxInterval // nothing is expected; it may come all the same
	}
	beat.Interval = int64(next / time.Second)
	if err := w.archive.KeepHeartbeat(ctx, bell, beat); err != nil {
		return Answer{}, err
	}
	err = w.archive.ChangeBellHealth(ctx, bell, func(h *house.Health) error {
		heard(h, beat)
		return nil
	})
	return Answer{Time: now.UTC().Truncate(time.Millisecond), Next: beat.Interval}, err
}

func (w *Watch) limiter(bell string) *rate.Limiter {
	w.mu.Lock()
	defer w.mu.Unlock()
	l, ok := w.rates[bell]
	if !ok {
		l = rate.NewLimiter(rate.Every(Every), atOnce)
		w.rates[bell] = l
	}
	return l
}

// heard is what a heartbeat says of a bell's health.
func heard(h *house.Health, beat house.Heartbeat) {
	h.Last = &beat
	h.End(house.BellQuiet, beat.At)
	if ahead, known := beat.ClockAhead(); known {
		h.Suspect(house.BellClock, ahead.Abs() > ClockOff, beat.At)
	}
	switch {
	case beat.Battery == nil:
	case *beat.Battery <= LowBattery:
		h.Begin(house.BellBattery, beat.At)
	case *beat.Battery >= FullEnough:
		h.End(house.BellBattery, beat.At)
	}
}

// Stored notes that a still of a bell was kept: of which ring, how long it took on
// its way, and whether it is damaged. It is written down with the next look.
func (w *Watch) Stored(bell, ring string, took time.Duration, damaged bool) {
	d := house.BellDay{Stills: 1, Upload: took, Slowest: took}
	if damaged {
		d.Damaged = 1
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.rang[bell] != ring {
		w.rang[bell], d.Rings = ring, 1
	}
	if len(w.came) < mostCame {
		w.came = append(w.came, came{bell, w.now(), d})
	}
}

// Run looks at each tick until the context is done, and once more then. Failures
// are logged, and tried again with the next tick.
func (w *Watch) Run(ctx context.Context, ticks <-chan time.Time) {
	for going := true; going; {
		select {
		case <-ticks:
		case <-ctx.Done():
			going = false
		}
		if err := w.Look(context.WithoutCancel(ctx)); err != nil {
			w.log.Error("looking how bells are", "err", err)
		}
	}
}

// Look finds out which bells are quiet, writes down what came from them, and
// forgets what was kept for long enough.
func (w *Watch) Look(ctx context.Context) error {
	now, hears := w.look()
	bells, err := w.archive.Bells(ctx)
	if err != nil {
		return err
	}
	var failed []error
	for _, b := range bells {
		failed = append(failed, w.listen(ctx, b.Address, now, hears))
	}
	failed = append(failed, w.keepDays(ctx), w.archive.ForgetHealth(ctx))
	return errors.Join(failed...)
}

// look compares the server's clock with one that can't be set, and says since when
// it hears.
func (w *Watch) look() (now, hears time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	now, gone := w.now().Round(0), w.elapsed() // without Go's own reading of the other clock
	if (now.Sub(w.lastNow) - (gone - w.lastGone)).Abs() > jump {
		w.hears = now
	}
	w.lastNow, w.lastGone = now, gone
	return now, w.hears
}

// listen says whether a bell is quiet.
func (w *Watch) listen(ctx context.Context, bell string, now, hears time.Time) error {
	health, err := w.archive.BellHealth(ctx, bell)
	if err != nil {
		return err
	}
	if _, quiet := health.Has(house.BellQuiet); quiet || !silent(health, now, hears) {
		return nil
	}
	w.log.Warn("a bell is quiet", "bell", bell)
	return w.archive.ChangeBellHealth(ctx, bell, func(h *house.Health) error {
		if silent(*h, now, hears) { // it may have been heard meanwhile
			since := h.Last.At
			if since.After(now) {
				since = hears
			}
			h.Begin(house.BellQuiet, since)
		}
		return nil
	})
}

// silent reports whether more heartbeats stayed away than may. A heartbeat of a
// time to come says that the clock was set back since.
func silent(h house.Health, now, hears time.Time) bool {
	if h.Last == nil || h.Every() == 0 {
		return false
	}
	from := hears
	if h.Last.At.After(from) && !h.Last.At.After(now) {
		from = h.Last.At
	}
	// A bell goes by what it was told last.
	every := max(h.Every(), time.Duration(h.Last.Interval)*time.Second)
	return now.Sub(from) > Missing*every
}

// keepDays writes down what came, day by day of the household's calendar, and keeps
// in mind what could not be written.
func (w *Watch) keepDays(ctx context.Context) error {
	w.mu.Lock()
	all := w.came
	w.came = nil
	w.mu.Unlock()
	if len(all) == 0 {
		return nil
	}
	rules, err := w.archive.Rules(ctx)
	for err == nil && len(all) > 0 {
		first := all[0].of(rules.Location())
		var others []came
		for _, c := range all[1:] {
			if day := c.of(rules.Location()); c.bell == all[0].bell && day.Day == first.Day {
				first.Add(day)
			} else {
				others = append(others, c)
			}
		}
		if err = w.archive.AddBellDay(ctx, all[0].bell, first); err == nil {
			all = others
		}
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.came = append(all, w.came...)
	return err
}

// of is the still as a day's count.
func (c came) of(zone *time.Location) house.BellDay {
	c.Day = c.at.In(zone).Format(time.DateOnly)
	return c.BellDay
}

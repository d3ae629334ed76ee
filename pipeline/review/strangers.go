package review

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/cluster"
)

// someFaces is how many faces are shown of a stranger in a list, the latest, and
// manyFaces how many where it is about that one.
const (
	someFaces = 20
	manyFaces = 200
)

// A Stranger is faces that are probably one stranger's, newest first: the latest of
// them, of which there is at least one.
type Stranger struct {
	Faces  []house.Sighting // without descriptors
	Visits []StrangerVisit  // newest first
	house.SeenStranger
}

// A StrangerVisit is a visit with the stranger's faces there, the best first.
type StrangerVisit struct {
	ID, Bell   string
	ReceivedAt time.Time
	Faces      []house.Sighting
}

// Best returns the face that shows the stranger best.
func (s Stranger) Best() house.Sighting { return slices.MinFunc(s.Faces, better) }

// A StrangersPage is some of the strangers who rang at least twice.
type StrangersPage struct {
	Strangers []Stranger
	Next      string  // where the next page begins, "" after the last
	Distance  float64 // within which all faces of one are: its FMR is at most cluster.FMR
	Waiting   Waiting
}

// Waiting says that some faces were not compared with all others yet. Its zero value
// says that all were.
type Waiting struct {
	Any   bool
	Faces int // how many, as far as it is known
	Of    int // of how many
	Read  int // how many of those are in memory, which comes first after a start
}

// SeenAgain returns a page of the strangers who rang at least twice, the one seen last
// first. Nobody is named by it. The error is ErrBadCursor.
func (r *Review) SeenAgain(ctx context.Context, cursor string, limit int) (page StrangersPage, err error) {
	before, after := time.UnixMicro(math.MaxInt64/2), int64(math.MaxInt64)
	if cursor != "" {
		if before, after, err = parseSeen(cursor); err != nil {
			return page, err
		}
	}
	within, err := r.catchUp(ctx)
	if err != nil {
		return page, err
	}
	page.Distance = float64(within) / 100
	if page.Waiting, err = r.waiting(ctx, within); err != nil {
		return page, err
	}
	seen, err := r.archive.SeenAgain(ctx, before, after, limit+1)
	if err != nil {
		return page, err
	}
	if len(seen) > limit {
		seen = seen[:limit]
		last := seen[limit-1]
		page.Next = fmt.Sprintf("%d-%d", last.Last.UnixMicro(), last.Stranger)
	}
	page.Strangers, err = r.shown(ctx, seen)
	return page, err
}

func parseSeen(cursor string) (before time.Time, after int64, err error) {
	at, number, ok := strings.Cut(cursor, "-")
	micros, errAt := strconv.ParseInt(at, 10, 64)
	after, errNumber := strconv.ParseInt(number, 10, 64)
	if !ok || errAt != nil || errNumber != nil {
		return before, 0, ErrBadCursor
	}
	return time.UnixMicro(micros), after, nil
}

// SeenOn returns the strangers of a visit who rang on others too, and whether there may
// be more, since not all faces of it were compared.
func (r *Review) SeenOn(ctx context.Context, visit string) (all []Stranger, waiting Waiting, err error) {
	within, err := r.catchUp(ctx)
	if err != nil {
		return nil, waiting, err
	}
	seen, err := r.archive.SeenOn(ctx, visit)
	if err != nil {
		return nil, waiting, err
	}
	waits, err := r.archive.WaitingOn(ctx, visit, within)
	if err != nil {
		return nil, waiting, err
	}
	if waits {
		if waiting, err = r.waiting(ctx, within); err != nil {
			return nil, waiting, err
		}
	}
	all, err = r.shown(ctx, seen)
	return all, waiting, err
}

func (r *Review) shown(ctx context.Context, seen []house.SeenStranger) (all []Stranger, err error) {
	for _, one := range seen {
		s, err := r.stranger(ctx, one, someFaces)
		if err != nil {
			return nil, err
		}
		if len(s.Visits) > 0 { // else it went meanwhile
			all = append(all, s)
		}
	}
	return all, nil
}

// Stranger returns the stranger that a face is of. The error is
// house.ErrNotFound.
func (r *Review) Stranger(ctx context.Context, face string) (Stranger, error) {
	return r.strangerOf(ctx, face, manyFaces)
}

// strangerOf is Stranger with at most so many faces.
func (r *Review) strangerOf(ctx context.Context, face string, limit int) (s Stranger, err error) {
	if _, err := r.catchUp(ctx); err != nil {
		return s, err
	}
	of, err := r.archive.StrangerOf(ctx, face)
	if err != nil {
		return s, err
	}
	if of.Stranger == 0 { // not compared yet, or too poor
		x, err := r.archive.Sighting(ctx, face)
		if err != nil || of.Within > 0 {
			return s, fmt.Errorf("a stranger's face %s: %w", face, house.ErrNotFound)
		}
		s.SeenStranger = house.SeenStranger{Visits: 1, First: x.ReceivedAt, Last: x.ReceivedAt}
		s.add(x)
		return s, nil
	}
	seen, err := r.archive.SeenStranger(ctx, of.Stranger)
	if err != nil {
		return s, err
	}
	if s, err = r.stranger(ctx, seen, limit); err == nil && len(s.Faces) == 0 {
		err = fmt.Errorf("a stranger's face %s: %w", face, house.ErrNotFound)
	}
	return s, err
}

func (r *Review) stranger(ctx context.Context, seen house.SeenStranger, limit int) (s Stranger, err error) {
	s.SeenStranger = seen
	faces, err := r.archive.SightingsOf(ctx, seen.Stranger, limit)
	if err != nil {
		return s, err
	}
	for _, f := range faces {
		s.add(f)
	}
	for _, v := range s.Visits {
		slices.SortStableFunc(v.Faces, better)
	}
	return s, nil
}

func (s *Stranger) add(f house.Sighting) {
	f.Face.Descriptor = house.Descriptor{}
	s.Faces = append(s.Faces, f)
	at := slices.IndexFunc(s.Visits, func(v StrangerVisit) bool { return v.ID == f.Visit })
	if at < 0 {
		at = len(s.Visits)
		s.Visits = append(s.Visits, StrangerVisit{ID: f.Visit, Bell: f.Bell, ReceivedAt: f.ReceivedAt})
	}
	s.Visits[at].Faces = append(s.Visits[at].Faces, f)
}

// within is the distance that strangers are compared by, in hundredths.
func (r *Review) within(ctx context.Context) (int, error) {
	gallery, err := r.gallery.Gallery(ctx)
	if err != nil {
		return 0, err
	}
	return cluster.Hundredths(cluster.Distance(gallery.Curve(), cluster.FMR)), nil
}

// Whoever asks compares a few faces that came just now, and leaves the rest to
// [Review.KeepStrangers]: about 50 ms of that.
const (
	catchUpFaces = 64
	catchUpCost  = 1_500_000
)

// catchUp compares faces that came just now. What can't be done now is done later: a
// full disk keeps nobody from looking.
func (r *Review) catchUp(ctx context.Context) (within int, err error) {
	if within, err = r.within(ctx); err != nil {
		return 0, err
	}
	if p := r.groups.Progress(); p.Waiting > catchUpFaces || p.Unread > catchUpCost/1000 {
		return within, nil
	}
	ctx = context.WithoutCancel(ctx) // what was begun is ended
	for budget := catchUpCost; budget > 0; {
		more, cost, err := r.groups.Step(ctx, within)
		if err != nil || !more {
			break
		}
		budget -= cost
	}
	return within, nil
}

// Waiting returns how many faces are known to be still to be compared.
func (r *Review) Waiting() int { return r.groups.Progress().Waiting }

// waiting says how much is still to be compared.
func (r *Review) waiting(ctx context.Context, within int) (w Waiting, err error) {
	places, err := r.archive.StrangersToCompare(ctx, within, 1)
	if err != nil || len(places) == 0 {
		return w, err
	}
	p := r.groups.Progress()
	return Waiting{true, max(p.Waiting, 1), max(p.Of, 1), p.Of - p.Unread}, nil
}

// KeepStrangers compares faces as they come, until the context is done: at the start, when
// the archive changed, and at each tick, since another process may have changed it.
// Between two steps it rests as long as the last one took, so that rings come first.
func (r *Review) KeepStrangers(ctx context.Context, ticks <-chan time.Time, log *slog.Logger) {
	changed, stop := r.archive.Watch()
	defer stop()
	for {
		if err := r.compareAll(ctx); err != nil && ctx.Err() == nil {
			log.Error("comparing strangers' faces", "err", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-changed:
		case <-ticks:
		}
	}
}

func (r *Review) compareAll(ctx context.Context) (err error) {
	for more := true; more && ctx.Err() == nil && err == nil; {
		began := time.Now()
		more, err = r.CompareSome(ctx)
		if took := time.Since(began); more && took > time.Millisecond {
			select {
			case <-ctx.Done():
			case <-time.After(took):
			}
		}
	}
	return err
}

// CompareSome compares some of the faces that are still to be, and reports whether there
// are more.
func (r *Review) CompareSome(ctx context.Context) (more bool, err error) {
	within, err := r.within(ctx)
	if err != nil {
		return false, err
	}
	more, _, err = r.groups.Step(context.WithoutCancel(ctx), within)
	return more, err
}

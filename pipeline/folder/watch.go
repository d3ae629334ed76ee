package folder

import (
	"cmp"
	"context"
	"errors"
	"io/fs"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/intake"
)

// A Watch says which folder is a bell's, and how it is read.
type Watch struct {
	Bell   string
	Dir    string
	Names  Names
	Gap    time.Duration
	Remove bool // whether files go once they are kept
}

// An Intake takes in what the watcher finds.
type Intake interface {
	Vouch(ctx context.Context, bell string) error
	Allow(bell string, size int64) (done func(), wait time.Duration, err error)
	Receive(context.Context, intake.Delivery) (intake.Receipt, error)
}

// A Status is how a watched folder does.
type Status struct {
	Bell string
	// LostAt is since when the folder can't be read, zero where it can.
	LostAt  time.Time
	Old     int // files that were there before it was watched
	Waiting int // files that are not whole, or wait for their turn
	Taken   int // stills since the server started
	// Refused is how many files were no stills since then, by why.
	Refused map[Reason]int
}

// A Watcher takes the stills of a folder as they come.
type Watcher struct {
	Watch
	archive Archive
	intake  Intake
	log     *slog.Logger
	now     func() time.Time

	// Only look uses these.
	began  time.Time // since when the folder is watched, zero before the first look
	looked bool      // whether it was looked through before
	seen   map[string]*sight
	rings  *rings // of files that ring now
	late   *rings // of those that came late
	zone   *time.Location

	mu     sync.Mutex
	status Status
}

// A sight is what is known of a file.
type sight struct {
	entry
	first   time.Time // when it was seen first
	changed time.Time // when it was seen to change last
	done    bool
	late    bool // whether it came while nobody watched
	unread  bool // whether it was said that it can't be read
}

const (
	// mostOld is how many files may come at once whose date is before the watch
	// began, and ring: a camera whose clock stands at the wrong year has at most a
	// ring of them, a folder that was copied has more.
	mostOld = intake.MaxFrame + 1
	// mostKept bounds how many files are remembered that are not there any more,
	// as those of a share that is away.
	mostKept = 100_000
	// again is how long to wait after the archive took nothing.
	again = 30 * time.Second
)

// NewWatcher returns a watcher.
func NewWatcher(w Watch, archive Archive, in Intake, log *slog.Logger, now func() time.Time) *Watcher {
	return &Watcher{Watch: w, archive: archive, intake: in, log: log, now: now, seen: make(map[string]*sight),
		rings: newRings(w.Gap), late: newRings(w.Gap), status: Status{Bell: w.Bell, Refused: make(map[Reason]int)}}
}

// Status says how the folder does.
func (w *Watcher) Status() Status {
	w.mu.Lock()
	defer w.mu.Unlock()
	s := w.status
	s.Refused = make(map[Reason]int, len(w.status.Refused))
	for why, n := range w.status.Refused {
		s.Refused[why] = n
	}
	return s
}

// Run takes stills until the context is done. It looks when something may have
// changed, and every so often all the same: network shares tell nobody of changes.
func (w *Watcher) Run(ctx context.Context, notice Notice, every time.Duration) {
	defer notice.Close()
	for {
		folders, wait := w.look(ctx)
		if notice.Follow(folders) {
			wait = 0
		}
		next := time.NewTimer(min(wait, every))
		select {
		case <-ctx.Done():
			next.Stop()
			return
		case <-notice.Changes():
		case <-next.C:
		}
		next.Stop()
	}
}

// look goes through the folder once, and takes what is whole. It returns the folders
// there are, and how long to wait for what is not ready yet.
func (w *Watcher) look(ctx context.Context) (folders []string, wait time.Duration) {
	files, folders, err := list(ctx, w.Dir)
	if ctx.Err() != nil {
		return nil, again
	}
	w.reachable(err)
	if err == nil {
		err = w.begin(ctx)
	}
	if err == nil {
		err = w.meet(ctx, files)
	}
	wait = again
	if err == nil {
		wait, err = w.takeReady(ctx)
	}
	if err != nil && ctx.Err() == nil && w.Status().LostAt.IsZero() {
		w.log.Error("taking stills from a folder; trying again", "bell", w.Bell, "err", err)
	}
	return folders, wait
}

// reachable notes whether the folder can be read, and says so when that changes.
func (w *Watcher) reachable(err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	switch {
	case err != nil && w.status.LostAt.IsZero():
		w.status.LostAt = w.now()
		w.log.Warn("a folder of stills can't be read; looking again until it can", "bell", w.Bell, "err", err)
	case err == nil && !w.status.LostAt.IsZero():
		w.status.LostAt = time.Time{}
		w.log.Info("a folder of stills can be read again", "bell", w.Bell)
	}
}

// begin finds out since when the folder is watched, before the first look.
func (w *Watcher) begin(ctx context.Context) error {
	rules, err := w.archive.Rules(ctx)
	if err != nil {
		return err
	}
	w.zone = rules.Location()
	if !w.began.IsZero() {
		return nil
	}
	w.began, err = w.archive.FolderSince(ctx, w.Bell, w.Dir)
	return err
}

// meet notes which files there are, and how long they have been as they are.
func (w *Watcher) meet(ctx context.Context, files []entry) error {
	now := w.now()
	var fresh []*sight
	for _, e := range files {
		if _, ok := w.Names.Read(e.name, w.zone); !ok {
			continue
		}
		s := w.seen[e.name]
		switch {
		case s == nil:
			s = &sight{entry: e, first: now, changed: now}
			known, err := w.archive.KnowsFile(ctx, house.FolderFile{Bell: w.Bell, Name: e.name, Size: e.size,
				Modified: e.modified})
			if err != nil {
				return err
			}
			s.done = known
			fresh = append(fresh, s)
		case s.size != e.size || !s.modified.Equal(e.modified):
			if s.done {
				s.first = now
			}
			s.entry, s.changed, s.done, s.unread = e, now, false, false
		}
	}
	w.letOld(fresh)
	for _, s := range fresh {
		w.seen[s.name] = s
	}
	w.forget(files)
	return nil
}

// letOld lets those be that were there before the folder was watched.
func (w *Watcher) letOld(fresh []*sight) {
	first := !w.looked
	w.looked = true
	var old []*sight
	for _, s := range fresh {
		if !s.done && !s.modified.After(w.began) {
			old = append(old, s)
		}
	}
	if !first && len(old) <= mostOld {
		return // by a wrong clock
	}
	for _, s := range old {
		s.done = true
	}
	w.mu.Lock()
	w.status.Old += len(old)
	w.mu.Unlock()
}

// forget lets go of files that are not there any more: those that were not taken, and
// where there are too many the others too. Mostly those are kept: a share that comes
// back brings the same files.
func (w *Watcher) forget(files []entry) {
	there := make(map[string]bool, len(files))
	for _, e := range files {
		there[e.name] = true
	}
	full := len(w.seen) >= len(files)+mostKept
	for name, s := range w.seen {
		if !there[name] && (full || !s.done) {
			delete(w.seen, name)
		}
	}
}

// takeReady takes the files that are whole: first those that ring now, then those
// that came late, each in their order. It returns how long until the next may be.
func (w *Watcher) takeReady(ctx context.Context) (wait time.Duration, err error) {
	wait = again
	now := w.now()
	var ready []*sight
	waiting := 0
	for _, s := range w.seen {
		if s.done {
			continue
		}
		waiting++
		if left := Settle - now.Sub(s.changed); left > 0 && now.Sub(s.first) < Longest {
			wait = min(wait, left)
			continue
		}
		ready = append(ready, s)
	}
	if waiting > 0 {
		if err := w.intake.Vouch(ctx, w.Bell); err != nil {
			return again, err
		}
	}
	parts := w.partsOf(ready, now)
	slices.SortFunc(ready, func(a, b *sight) int {
		lateLast := cmp.Compare(truth(a.late), truth(b.late))
		return cmp.Or(lateLast, parts[a].compare(parts[b]), strings.Compare(a.name, b.name))
	})
	for _, s := range ready {
		left, err := w.takeOne(ctx, s, parts[s], now)
		if s.done {
			waiting--
		}
		wait = min(wait, left)
		if errors.Is(err, intake.ErrTooOften) {
			break // the others wait as well
		}
		if err != nil || ctx.Err() != nil {
			w.waits(waiting)
			return again, err
		}
	}
	w.waits(waiting)
	return wait, nil
}

func (w *Watcher) waits(n int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.status.Waiting = n
}

func truth(b bool) int {
	if b {
		return 1
	}
	return 0
}

// partsOf reads the names, and finds out who came late.
func (w *Watcher) partsOf(ready []*sight, now time.Time) map[*sight]Parts {
	parts := make(map[*sight]Parts, len(ready))
	for _, s := range ready {
		p, _ := w.Names.Read(s.name, w.zone)
		if p.At.IsZero() && s.modified.Year() >= 1970 && s.modified.Year() <= 9999 {
			p.At = s.modified
		}
		s.late = p.At.After(w.began) && now.Sub(p.At) > Late
		parts[s] = p
	}
	return parts
}

// takeOne takes a file, if it is whole. It returns how long to wait for it. The error
// is intake.ErrTooOften, or of the archive, which takes nothing more now.
func (w *Watcher) takeOne(ctx context.Context, s *sight, p Parts, now time.Time) (wait time.Duration, err error) {
	body, err := read(w.Dir, s.entry)
	if err != nil {
		w.unread(s, err)
		if s.unread {
			return again, nil
		}
		return Settle, nil // it went, or changes
	}
	if left := Patience - now.Sub(s.changed); !ends(body) && left > 0 && now.Sub(s.first) < Longest {
		return left, nil
	}
	done, wait, err := w.intake.Allow(w.Bell, int64(len(body)))
	if err != nil {
		return max(wait, time.Millisecond), err
	}
	defer done()
	var came time.Time
	rings := w.rings
	if s.late {
		came, rings = p.At, w.late
	}
	t := taking{w.Bell, w.archive, w.intake.Receive, rings}
	known, receipt, err := t.take(ctx, s.entry, p, body, came)
	if why := refusalOf(err); why != "" {
		s.done = true
		w.count(func(st *Status) { st.Refused[why]++ })
		w.log.Warn("a file in a folder of stills is none", "bell", w.Bell, "why", string(why))
		return again, nil
	}
	if err != nil {
		return again, err
	}
	s.done = true
	if !known && receipt.Kept {
		w.count(func(st *Status) { st.Taken++ })
	}
	if w.Remove && (known || receipt.Kept) {
		if err := remove(w.Dir, s.entry); err != nil {
			w.log.Warn("a file of a folder of stills was kept, and can't be removed", "bell", w.Bell)
		}
	}
	return again, nil
}

func (w *Watcher) count(change func(*Status)) {
	w.mu.Lock()
	defer w.mu.Unlock()
	change(&w.status)
}

// unread says once of a file that it can't be read, and looks at it anew when it
// changes.
func (w *Watcher) unread(s *sight, err error) {
	if s.unread || errors.Is(err, errNoFile) || errors.Is(err, fs.ErrNotExist) {
		return
	}
	s.unread = true
	w.count(func(st *Status) { st.Refused[Unreadable]++ })
	w.log.Warn("a file in a folder of stills can't be read", "bell", w.Bell, "why", string(Unreadable))
}

// Package pipeline examines the stills that were kept: it finds the faces on
// each, says who they probably are, and records that with the still.
//
//	steps := pipeline.New(archive, log, openFinder, liveness.New(nets), 2)
//	err := steps.Run(ctx) // until ctx ends
//
// What comes in are pending stills, from the store and from nowhere else: a
// still that was kept is pending until its findings are, so a crash at any
// moment loses no work, and the next start takes up what is left. What goes
// out are findings, recorded in the store.
//
// The order of the steps is in the functions examine and judge. The faces of a
// ring's frames are judged together, so a later frame may change what was found
// on an earlier one. Each step is a package of its own below this one.
package pipeline

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/decoding"
	"lintel/pipeline/liveness"
	"lintel/pipeline/match"
	"lintel/pipeline/quality"
)

// A Finder finds the faces on a still. It is used by one goroutine at a time.
type Finder interface {
	Find(ctx context.Context, still image.Image) ([]house.Face, error)
	Close() error
}

// An Archive is what the pipeline needs of the store.
type Archive interface {
	PendingStills(ctx context.Context, limit int) ([]house.Still, error)
	BeginExamination(ctx context.Context, still string) error
	ReadStill(ctx context.Context, visit string, frame int) ([]byte, error)
	Visit(ctx context.Context, id string) (house.Visit, error)
	NearDuplicates(ctx context.Context, visit string, look house.ImageHash) ([]house.NearDuplicate, error)
	Rematch(ctx context.Context, visit string, faces []house.Face) error
	match.Source
	Record(ctx context.Context, still string, state house.StillState, faces []house.Face) error
	Spread(ctx context.Context, face string, with []string) error
	Watch() (changed <-chan struct{}, stop func())
}

// lookAgain is how long it takes at most until stills are examined that another
// process brought in, of which nothing here is told.
const lookAgain = 15 * time.Second

// A Pipeline examines stills, several at once.
type Pipeline struct {
	archive    Archive
	log        *slog.Logger
	open       func() (Finder, error)
	signs      *liveness.Examiner
	workers    int
	gallery    *match.Current
	thumbnails frameCache
	running    atomic.Bool
	asked      chan chan<- time.Duration // answered by dispatch

	// Examined, if set before Run, is told of each still that was examined, and how
	// long that took from when it began to its findings.
	Examined func(ctx context.Context, still house.Still, img image.Image, faces []house.Face, took time.Duration)

	// Idle, if set before Run, returns a channel that is closed while no still is being
	// taken in. An examination waits for that, though not for long, since whoever rings
	// waits for an answer.
	Idle func() <-chan struct{}

	// judging is held from when the other frames of a ring are read until what
	// follows is recorded, lest two frames that are examined at once miss each
	// other.
	judging sync.Mutex
}

// New returns a pipeline that runs that many workers. Each opens a Finder of
// its own; all look for signs of a picture with the one Examiner.
func New(archive Archive, log *slog.Logger, open func() (Finder, error), signs *liveness.Examiner,
	workers int) *Pipeline {
	return &Pipeline{archive: archive, log: log, open: open, signs: signs, workers: workers,
		gallery: match.NewCurrent(archive), asked: make(chan chan<- time.Duration)}
}

// Run examines stills as they come, until the context is done, and returns
// when every worker has recorded the still it was at. What no worker had
// begun stays pending. An error means that no Finder could be opened.
func (p *Pipeline) Run(ctx context.Context) error {
	finders, err := p.openFinders()
	if err != nil {
		return err
	}
	stills, done := make(chan house.Still), make(chan string)
	var workers sync.WaitGroup
	finishing := context.WithoutCancel(ctx) // a still takes a fraction of a second
	for _, finder := range finders {
		workers.Go(func() {
			defer finder.Close()
			for still := range stills {
				p.giveWay()
				p.process(finishing, finder, still)
				done <- still.ID
			}
		})
	}
	p.running.Store(true)
	defer p.running.Store(false)
	p.dispatch(ctx, stills, done)
	close(stills)
	workers.Wait()
	return nil
}

func (p *Pipeline) openFinders() ([]Finder, error) {
	var finders []Finder
	for range p.workers {
		f, err := p.open()
		if err != nil {
			for _, f := range finders {
				f.Close()
			}
			return nil, fmt.Errorf("opening a face finder: %w", err)
		}
		finders = append(finders, f)
	}
	return finders, nil
}

// dispatch hands pending stills to workers until the context is done, and
// returns when no worker has one any more. A still that comes back pending,
// since the store failed, waits for the next change before it is tried again.
func (p *Pipeline) dispatch(ctx context.Context, stills chan<- house.Still, done <-chan string) {
	changed, stop := p.archive.Watch()
	defer stop()
	busy := make(map[string]time.Time) // since when
	var turns rota
	queue := turns.order(p.pending(ctx, busy))
	forget := time.NewTimer(rememberFor)
	defer forget.Stop()
	again := time.NewTicker(lookAgain)
	defer again.Stop()
	for {
		var next house.Still
		var ready chan<- house.Still // nil, and so never ready, while the queue is empty
		if len(queue) > 0 && ctx.Err() == nil {
			next, ready = queue[0], stills
		}
		if ctx.Err() != nil && len(busy) == 0 {
			return
		}
		stopping := ctx.Done()
		if ctx.Err() != nil {
			stopping = nil // seen; now only workers are waited for
		}
		select {
		case ready <- next:
			busy[next.ID] = time.Now()
			turns.had(next.Bell)
			queue = turns.order(queue[1:])
		case id := <-done:
			delete(busy, id)
			forget.Reset(rememberFor)
		case <-forget.C:
			p.thumbnails.clear()
		case <-changed:
			queue = turns.order(p.pending(ctx, busy))
		case <-again.C:
			queue = turns.order(p.pending(ctx, busy))
		case answer := <-p.asked:
			answer <- longest(busy)
		case <-stopping:
		}
	}
}

// A rota remembers which bells' stills were taken, the latest last, so that the
// bells have their turns one after the other.
type rota []string

func (r *rota) had(bell string) {
	*r = append(slices.DeleteFunc(*r, func(b string) bool { return b == bell }), bell)
}

// order puts a still first whose bell's turn it is: one that had none, or whose
// was the longest ago. Those that wait for long come after new ones, at whose door
// somebody stands, and old stills that were brought in after all others.
func (r rota) order(stills []house.Still) []house.Still {
	class := func(s house.Still) int {
		switch {
		case s.Imported:
			return 2
		case s.Behind:
			return 1
		}
		return 0
	}
	slices.SortStableFunc(stills, func(a, b house.Still) int {
		if d := class(a) - class(b); d != 0 {
			return d
		}
		return slices.Index(r, a.Bell) - slices.Index(r, b.Bell)
	})
	return stills
}

// pending asks the store what is to be done that nobody does yet.
func (p *Pipeline) pending(ctx context.Context, busy map[string]time.Time) []house.Still {
	stills, err := p.archive.PendingStills(ctx, 100)
	if err != nil && ctx.Err() == nil {
		p.log.Error("looking for stills to examine", "err", err)
	}
	idle := stills[:0]
	for _, s := range stills {
		if busy[s.ID].IsZero() {
			idle = append(idle, s)
		}
	}
	return idle
}

// patience is how long an examination gives way to stills that come in: findings come
// that much later while a bell sends all the time.
const patience = 250 * time.Millisecond

func (p *Pipeline) giveWay() {
	if p.Idle == nil {
		return
	}
	enough := time.NewTimer(patience)
	defer enough.Stop()
	select {
	case <-p.Idle():
	case <-enough.C:
	}
}

// process examines one still and records what came of it.
func (p *Pipeline) process(ctx context.Context, finder Finder, still house.Still) {
	log := p.log.With("visit", still.Visit, "frame", still.Frame)
	if still.Attempts >= house.MaxAttempts {
		log.Error("giving a still up", "attempts", still.Attempts)
		p.record(ctx, log, still, house.Failed, nil)
		return
	}
	if err := p.archive.BeginExamination(ctx, still.ID); err != nil {
		log.Error("examining a still", "err", err)
		return
	}
	data, err := p.archive.ReadStill(ctx, still.Visit, still.Frame)
	if err != nil {
		// The store's trouble, not the still's: it stays pending.
		log.Error("preparing an examination", "err", err)
		return
	}
	began := time.Now()
	img, faces, err := p.examine(ctx, finder, still, data)
	if err != nil {
		log.Error("examining a still", "err", err)
		p.record(ctx, log, still, house.Failed, nil)
		return
	}
	log.Info("examined a still", "faces", len(faces), "took", time.Since(began).Round(time.Millisecond))
	if p.conclude(ctx, log, still, faces) && p.Examined != nil {
		p.Examined(ctx, still, img, faces, time.Since(began))
	}
}

// conclude judges the faces of a still and records its findings. It reports whether
// that could be done; if not, the still stays pending.
func (p *Pipeline) conclude(ctx context.Context, log *slog.Logger, still house.Still, faces []house.Face) bool {
	p.judging.Lock()
	defer p.judging.Unlock()
	if err := p.judge(ctx, still, faces); err != nil {
		log.Error("judging faces", "err", err)
		return false
	}
	if !p.record(ctx, log, still, house.Done, faces) {
		return false
	}
	if err := p.spread(ctx, still); err != nil {
		log.Error("keeping an answer for later frames", "err", err)
	}
	return true
}

// spread has what a resident said of a face on an earlier frame of the ring said of
// this still's too, where it is one person's.
func (p *Pipeline) spread(ctx context.Context, still house.Still) error {
	visit, err := p.archive.Visit(ctx, still.Visit)
	if errors.Is(err, house.ErrNotFound) {
		return nil // erased meanwhile
	}
	if err != nil {
		return err
	}
	var frames [][]house.Face
	for _, s := range visit.Stills {
		if inBurst(visit, s) {
			frames = append(frames, s.Faces)
		}
	}
	isSaid := func(f house.Face) bool { return f.Said != nil }
	if !slices.ContainsFunc(slices.Concat(frames...), isSaid) {
		return nil
	}
	gallery, err := p.gallery.Gallery(ctx)
	if err != nil {
		return err
	}
	for _, faces := range gallery.SameFaces(frames) {
		var said string
		var with []string
		for _, f := range faces {
			if f.Said != nil {
				said = f.ID
			} else {
				with = append(with, f.ID)
			}
		}
		if said != "" && len(with) > 0 {
			if err := p.archive.Spread(ctx, said, with); err != nil {
				return err
			}
		}
	}
	return nil
}

// Running reports whether stills are examined now.
func (p *Pipeline) Running() bool { return p.running.Load() }

// judge says whose the faces of a still are, and whether there are signs of a
// picture, together with those of the ring's other frames that were examined and
// came within a burst, and records what changes for those. The still's own are not
// recorded yet: should that fail, it is examined again, and the same comes of it.
func (p *Pipeline) judge(ctx context.Context, still house.Still, faces []house.Face) error {
	if len(faces) == 0 {
		return nil
	}
	gallery, err := p.gallery.Gallery(ctx)
	if err != nil {
		return err
	}
	visit, err := p.archive.Visit(ctx, still.Visit)
	if errors.Is(err, house.ErrNotFound) {
		return nil // erased meanwhile
	}
	if err != nil {
		return err
	}
	if err := p.recall(ctx, still, visit.ReceivedAt, faces); err != nil {
		return err
	}
	frames := [][]house.Face{faces}
	ring := []liveness.Frame{{Number: still.Frame, Thumbnail: p.thumbnail(ctx, still), Faces: faces}}
	for _, s := range visit.Stills {
		together := inBurst(visit, still) && inBurst(visit, s)
		if s.ID != still.ID && together && s.State == house.Done && len(s.Faces) > 0 {
			others := slices.Clone(s.Faces)
			frames = append(frames, others)
			ring = append(ring, liveness.Frame{Number: s.Frame, Thumbnail: p.thumbnail(ctx, s), Faces: others})
		}
	}
	before := slices.Concat(frames[1:]...)
	gallery.IdentifyRing(frames)
	liveness.JudgeRing(ring)
	var changed []house.Face
	for i, f := range slices.Concat(frames[1:]...) {
		if !sameMatch(f.Match, before[i].Match) || !sameLiveness(f.Liveness, before[i].Liveness) {
			changed = append(changed, f)
		}
	}
	return p.archive.Rematch(ctx, still.Visit, changed)
}

// burst is for how long after a ring's first still the others say more of who is on
// it. One that comes later is kept and judged by itself: it may show somebody else.
const burst = 5 * time.Second

// inBurst reports whether a still came soon enough after the first of its visit.
func inBurst(v house.Visit, s house.Still) bool { return s.ReceivedAt.Sub(v.ReceivedAt) <= burst }

// recall looks whether a still is a copy of one that was there before.
func (p *Pipeline) recall(ctx context.Context, still house.Still, at time.Time, faces []house.Face) error {
	for i := range faces {
		alike, err := p.archive.NearDuplicates(ctx, still.Visit, faces[i].ImageHash)
		if err != nil {
			return err
		}
		liveness.Repeats(&faces[i], alike, at)
	}
	return nil
}

// thumbnail returns what a still looked like, nil if that can't be had: it may be
// gone meanwhile, and its faces are judged without.
func (p *Pipeline) thumbnail(ctx context.Context, still house.Still) *liveness.Thumbnail {
	if g := p.thumbnails.get(still.ID); g != nil {
		return g
	}
	data, err := p.archive.ReadStill(ctx, still.Visit, still.Frame)
	if err != nil {
		return nil
	}
	end, err := turn(ctx, still, data)
	if err != nil {
		return nil
	}
	defer end()
	img, err := jpeg.Decode(bytes.NewReader(data))
	if err != nil {
		return nil
	}
	g := liveness.NewThumbnail(img)
	p.thumbnails.put(still.ID, g)
	return g
}

func sameLiveness(a, b *house.Liveness) bool {
	if a == nil || b == nil {
		return a == b
	}
	return a.Equal(*b)
}

// sameMatch reports whether two matches say the same; names aside, which only
// the store fills in.
func sameMatch(a, b *house.Match) bool {
	if a == nil || b == nil {
		return a == b
	}
	one, other := *a, *b
	one.Name, other.Name = "", ""
	return one == other
}

// record reports whether findings could be recorded.
func (p *Pipeline) record(ctx context.Context, log *slog.Logger, still house.Still, state house.StillState,
	faces []house.Face) bool {
	err := p.archive.Record(ctx, still.ID, state, faces)
	if err != nil {
		log.Error("recording findings", "err", err)
	}
	return err == nil
}

// turn waits until there is memory to decode a still. Who is next to be examined
// was settled before (dispatch): here each still is an asker of its own.
func turn(ctx context.Context, still house.Still, data []byte) (end func(), err error) {
	return decoding.Begin(ctx, "still "+still.ID, decoding.StillMemory(data))
}

// examine takes a still through the steps that need nothing else: decode, find
// faces, measure how well each can be judged, look for signs of a picture.
func (p *Pipeline) examine(ctx context.Context, finder Finder, still house.Still, data []byte) (
	image.Image, []house.Face, error) {
	end, err := turn(ctx, still, data)
	if err != nil {
		return nil, nil, err
	}
	defer end()
	img, err := jpeg.Decode(bytes.NewReader(data))
	if err != nil {
		return nil, nil, fmt.Errorf("decoding: %w", err)
	}
	faces, err := finder.Find(ctx, img)
	if err != nil {
		return nil, nil, err
	}
	for i := range faces {
		measured := quality.Measure(img, faces[i])
		faces[i].Quality = &measured
		faces[i].ImageHash = liveness.LookOf(img, faces[i])
	}
	p.signs.Examine(img, faces)
	p.thumbnails.put(still.ID, liveness.NewThumbnail(img))
	return img, faces, nil
}

package cluster

import (
	"context"
	"math"
	"slices"
	"sync"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// A Book is where it is kept whose the faces are; a store.Archive is one.
type Book interface {
	StrangersFrom(ctx context.Context, after int64, limit int) ([]house.StrangersFace, error)
	StrangersAt(ctx context.Context, places []int64) ([]house.StrangersFace, error)
	FacesOfStranger(ctx context.Context, stranger int64) ([]house.StrangersFace, error)
	StrangersToCompare(ctx context.Context, within, limit int) (places []int64, err error)
	CountStrangers(ctx context.Context, within int) (all, waiting int, err error)
	LastStranger(ctx context.Context) (int64, error)
	StrangerSizes(ctx context.Context, strangers []int64) (map[int64]int, error)
	PlaceStrangers(ctx context.Context, within int, all []house.Placing) (placed []bool, err error)
	JoinStrangers(ctx context.Context, into, from int64, size, sizeFrom int) (joined bool, err error)
	StrangersGone(ctx context.Context, after int64, limit int) (gone []house.Placing, last int64, err error)
	ForgetGone(ctx context.Context, last int64) error
}

// Groups keep a book of whose strangers' faces are. They are safe for use by several
// goroutines, and one book has one of them.
type Groups struct {
	book Book

	mu     sync.Mutex
	within int // hundredths
	index  Index
	read   int64          // the last place that was read
	all    bool           // whether all were read that there were
	next   int64          // a stranger's number that nobody has; 0 where it is not known
	gone   int64          // up to where it is known who went; 0 where nothing is to be forgotten
	torn   map[int64]bool // strangers who lost a face

	told     sync.Mutex
	progress Progress
}

// A Progress is how far faces are compared.
type Progress struct {
	Of      int // how many faces there are
	Unread  int // how many are not in memory yet, after a start
	Waiting int // how many are still to be compared
}

// NewGroups returns the groups of a book, of which nothing is in memory yet.
func NewGroups(book Book) *Groups {
	g := &Groups{book: book}
	g.begin(0)
	return g
}

// readSome is how many faces a step reads, and compareSome how many it compares at most:
// little enough that whoever waits for one hardly notices. stepCost bounds the latter for
// a large archive.
const (
	readSome    = 500
	compareSome = 64
	stepCost    = 2_000_000
)

// readCost is how many comparisons take as long as reading a face.
const readCost = 700

// Hundredths is the distance that is compared by, as the book has it: a distance that
// moves a little, as the household's curve does, has not all faces compared again.
func Hundredths(distance float64) int { return int(math.Floor(distance*100 + 1e-9)) }

// Progress returns how far it had come after the last step.
func (g *Groups) Progress() Progress {
	g.told.Lock()
	defer g.told.Unlock()
	return g.progress
}

func (g *Groups) tell(p Progress) {
	g.told.Lock()
	defer g.told.Unlock()
	g.progress = p
}

// Step does some of what is to be done for all faces to be compared within a distance of
// so many hundredths, and reports whether there is more. What it costs is about as much
// as that many comparisons of two faces.
func (g *Groups) Step(ctx context.Context, within int) (more bool, cost int, err error) {
	if within <= 0 { // no two faces are as near as that
		return false, 0, nil
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.within != within {
		g.begin(within)
	}
	if more, err = g.letGo(ctx); more || err != nil {
		return more, readSome, err
	}
	if more, err = g.readOn(ctx); more || err != nil {
		return more, readCost * readSome, err
	}
	for stranger := range g.torn {
		if err := g.rejoin(ctx, stranger); err != nil {
			return true, 0, err
		}
		delete(g.torn, stranger)
		return true, g.index.Len(), nil
	}
	if g.gone > 0 {
		err := g.book.ForgetGone(ctx, g.gone)
		g.gone = 0
		return true, readSome, err
	}
	some := min(compareSome, 1+stepCost/(1+g.index.Len()))
	places, err := g.book.StrangersToCompare(ctx, within, some)
	if err != nil || len(places) == 0 {
		g.tell(Progress{Of: g.index.Len()})
		return false, 0, err
	}
	slices.Sort(places)
	if err = g.compare(ctx, places); err != nil {
		g.begin(within) // what was kept is read again
		return true, 0, err
	}
	p := g.Progress()
	p.Waiting = max(p.Waiting-len(places), 0)
	g.tell(p)
	return true, len(places) * g.index.Len(), nil
}

// begin lets go of everything in memory.
func (g *Groups) begin(within int) {
	g.within, g.index, g.read, g.all, g.next, g.gone = within, Index{}, 0, false, 0, 0
	g.torn = make(map[int64]bool)
}

// letGo lets go of faces that went.
func (g *Groups) letGo(ctx context.Context) (more bool, err error) {
	gone, last, err := g.book.StrangersGone(ctx, g.gone, readSome)
	if err != nil || len(gone) == 0 {
		return false, err
	}
	for _, p := range gone {
		g.index.Remove(p.Place)
		if p.Stranger > 0 {
			g.torn[p.Stranger] = true
		}
	}
	g.gone = last
	return true, nil
}

// readOn reads faces that came since.
func (g *Groups) readOn(ctx context.Context) (more bool, err error) {
	p := g.Progress()
	if g.read == 0 {
		if p.Of, p.Waiting, err = g.book.CountStrangers(ctx, g.within); err != nil {
			return false, err
		}
	}
	faces, err := g.book.StrangersFrom(ctx, g.read, readSome)
	if err != nil || len(faces) == 0 {
		g.all = g.all || err == nil
		return false, err
	}
	for i := range faces {
		f := &faces[i]
		g.read = f.Place
		if f.Within != g.within {
			f.Stranger = 0
			if g.all {
				p.Waiting++
			}
		}
		if comparableFace(&f.Face) {
			g.index.Add(f.Place, f.Stranger, &f.Face.Descriptor)
		}
	}
	p.Of = max(p.Of, g.index.Len())
	p.Unread = 0
	if !g.all {
		p.Unread = max(p.Of-g.index.Len(), 0)
	}
	g.tell(p)
	return true, nil
}

// minWidth is the width in pixels under which a face is in no group: error rates grow
// tenfold between 32 and 24 pixels, and no longer are as stated.
const minWidth = 32

// comparableFace reports whether a face can be compared with others.
func comparableFace(f *house.Face) bool {
	return f.ExaminedWidth() >= minWidth && usable(&f.Descriptor)
}

// compare finds out whose the faces at some places are, and keeps that.
func (g *Groups) compare(ctx context.Context, places []int64) error {
	faces, err := g.book.StrangersAt(ctx, places)
	if err != nil {
		return err
	}
	if g.next == 0 {
		last, err := g.book.LastStranger(ctx)
		if err != nil {
			return err
		}
		g.next = last + 1
	}
	sizes := make(map[int64]int) // of strangers who have more faces by now than the book says
	all := make([]house.Placing, 0, len(places))
	for _, place := range places {
		p := house.Placing{Place: place}
		at := slices.IndexFunc(faces, func(f house.StrangersFace) bool { return f.Place == place })
		if at >= 0 && comparableFace(&faces[at].Face) {
			if p.Stranger, p.Size, err = g.whose(ctx, &faces[at], sizes); err != nil {
				return err
			}
			sizes[p.Stranger] = p.Size + 1
			g.index.SetStranger(place, p.Stranger)
		}
		all = append(all, p)
	}
	placed, err := g.book.PlaceStrangers(ctx, g.within, all)
	for i, p := range all {
		if err != nil || !placed[i] {
			g.index.SetStranger(p.Place, 0) // the next step looks again
			g.next = 0
		}
	}
	return err
}

// whose returns the stranger whose faces are all within the distance of one: of several
// the one whose farthest is nearest, and else one who is new. Size is how many faces that
// one has.
func (g *Groups) whose(ctx context.Context, f *house.StrangersFace, added map[int64]int) (
	stranger int64, size int, err error) {
	takers, err := g.takers(ctx, f, added)
	if err != nil {
		return 0, 0, err
	}
	far := math.Inf(1)
	for _, t := range takers {
		if t.far < far || t.far == far && t.stranger < stranger {
			stranger, size, far = t.stranger, len(t.places), t.far
		}
	}
	if stranger == 0 {
		stranger, size = g.next, 0
		g.next++
	}
	return stranger, size, nil
}

// A taker is a stranger all of whose faces are within the distance of one.
type taker struct {
	stranger int64
	places   []int64
	far      float64 // the farthest
}

// takers returns the strangers all of whose faces are within the distance of one,
// besides its own. Where the codes can't tell, or there are several, faces are opened.
func (g *Groups) takers(ctx context.Context, f *house.StrangersFace, added map[int64]int) ([]taker, error) {
	distance := float64(g.within) / 100
	found := make(map[int64]*taker)
	unsure := make(map[int64]bool)
	var of []int64
	for _, n := range g.index.Within(&f.Face.Descriptor, distance) {
		if n.Stranger == 0 || n.Place == f.Place || n.Stranger == f.Stranger {
			continue
		}
		t := found[n.Stranger]
		if t == nil {
			t = &taker{stranger: n.Stranger}
			found[n.Stranger], of = t, append(of, n.Stranger)
		}
		t.places = append(t.places, n.Place)
		unsure[n.Stranger] = unsure[n.Stranger] || n.Most > distance
	}
	if len(of) == 0 {
		return nil, nil
	}
	sizes, err := g.book.StrangerSizes(ctx, of)
	if err != nil {
		return nil, err
	}
	var whole []*taker
	for _, stranger := range of {
		size, more := added[stranger]
		if !more {
			size = sizes[stranger]
		}
		if len(found[stranger].places) == size {
			whole = append(whole, found[stranger])
		}
	}
	if len(whole) == 1 && !unsure[whole[0].stranger] {
		return []taker{*whole[0]}, nil
	}
	var takers []taker
	for _, t := range whole {
		faces, err := g.book.StrangersAt(ctx, t.places)
		if err != nil {
			return nil, err
		}
		if t.far = farthest(faces, f); len(faces) == len(t.places) && t.far <= distance {
			takers = append(takers, *t)
		}
	}
	return takers, nil
}

// farthest returns how far the farthest of some faces is from one.
func farthest(faces []house.StrangersFace, one *house.StrangersFace) (far float64) {
	for i := range faces {
		far = max(far, match.Distance(&faces[i].Face.Descriptor, &one.Face.Descriptor))
	}
	return far
}

// rejoin makes one of a stranger who lost a face and others, as long as all of their
// faces are within the distance of each other: the nearest first.
func (g *Groups) rejoin(ctx context.Context, stranger int64) error {
	for stranger != 0 {
		own, err := g.book.FacesOfStranger(ctx, stranger)
		if err != nil || len(own) == 0 || own[0].Within != g.within {
			return err
		}
		takers, err := g.takers(ctx, &own[0], nil)
		if err != nil {
			return err
		}
		var best taker
		best.far = math.Inf(1)
		for _, t := range takers {
			faces, err := g.book.StrangersAt(ctx, t.places)
			if err != nil {
				return err
			}
			far := 0.0
			for i := range own {
				if far = max(far, farthest(faces, &own[i])); far > float64(g.within)/100 {
					break
				}
			}
			if far <= float64(g.within)/100 && far < best.far {
				best = t
				best.far = far
			}
		}
		if best.stranger == 0 {
			return nil
		}
		joined, err := g.book.JoinStrangers(ctx, stranger, best.stranger, len(own), len(best.places))
		if err != nil || !joined {
			return err
		}
		for _, place := range best.places {
			g.index.SetStranger(place, stranger)
		}
	}
	return nil
}

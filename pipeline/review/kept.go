package review

import (
	"context"
	"slices"
	"strings"
	"sync"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// kept are the faces that screens ask about again and again, opened: those of the last
// days, the newest strangers', and those that show persons surely. They follow the archive
// by its revision, so that what changed is read again and no more than that; what went
// with a visit is gone from here with the next look. What they come to by a gallery is
// worked out once for each visit. Nothing of it is written anywhere.
type kept struct {
	bounds    bounds
	mu        sync.Mutex // held while the archive is followed, so that it is done once
	known     bool
	revision  int64
	since     time.Time // from when on month is
	month     past
	strangers past
	surely    map[string][]house.Sighting // by person
}

// bounds are of what is kept.
type bounds struct {
	month, strangers int // faces that are asked for
	spare            int // faces beyond those, so that others that go need not have all read again
	changed          int // visits that are read again by themselves; with more, all that is kept is
	surely           int // persons
}

var usualBounds = bounds{month: lookBackFaces, strangers: someStrangers, spare: 1000, changed: 500, surely: 32}

// A past is visits with faces, the newest first, of which no newer one is missing.
type past struct {
	visits []*pastVisit
	faces  int
	whole  bool // no older ones are left out
	wanted int  // how many faces are asked for
	spare  int
}

// A pastVisit is a visit's faces and, once it was asked for, what they come to.
type pastVisit struct {
	faces   []house.Sighting
	gallery *match.Gallery // by which the following is, nil for none yet

	changes  []Change
	searches []Search
	near     []Doubt
	answered []house.Naming // of whom somebody said there whether it is them
}

func (v *pastVisit) id() string    { return v.faces[0].Visit }
func (v *pastVisit) at() time.Time { return v.faces[0].ReceivedAt }

// byVisit groups faces, of which those of one visit follow each other.
func byVisit(faces []house.Sighting) (visits []*pastVisit) {
	for len(faces) > 0 {
		n := 1
		for n < len(faces) && faces[n].Visit == faces[0].Visit {
			n++
		}
		visits = append(visits, &pastVisit{faces: slices.Clone(faces[:n])})
		faces = faces[n:]
	}
	return visits
}

// pastOf is a past of faces that were read, newest first.
func pastOf(faces []house.Sighting, whole bool, wanted, spare int) past {
	return past{byVisit(faces), len(faces), whole, wanted, spare}
}

// short reports whether there are fewer than are asked for, though not all there are.
func (p *past) short() bool { return !p.whole && p.faces < p.wanted }

// newer puts the newest visit first, and orders those of one moment.
func newer(a, b *pastVisit) int {
	if c := b.at().Compare(a.at()); c != 0 {
		return c
	}
	return strings.Compare(b.id(), a.id())
}

// change takes visits out that changed, and puts those in that still have such faces.
func (p *past) change(changed map[string]bool, with []*pastVisit) {
	var end *pastVisit // none older may come in where some are left out
	if n := len(p.visits); n > 0 && !p.whole {
		end = p.visits[n-1]
	}
	p.visits = slices.DeleteFunc(p.visits, func(v *pastVisit) bool {
		if changed[v.id()] {
			p.faces -= len(v.faces)
		}
		return changed[v.id()]
	})
	for _, v := range with {
		if p.whole || end != nil && newer(v, end) <= 0 {
			at, _ := slices.BinarySearchFunc(p.visits, v, newer)
			p.visits = slices.Insert(p.visits, at, v)
			p.faces += len(v.faces)
		}
	}
	for p.faces > p.wanted+2*p.spare {
		p.drop()
	}
}

// drop leaves the oldest visit out.
func (p *past) drop() {
	last := len(p.visits) - 1
	p.faces -= len(p.visits[last].faces)
	p.visits, p.whole = p.visits[:last], false
}

// newest returns the newest visits, with as many faces as are asked for at most, and
// whether there are more.
func (p *past) newest() (visits []*pastVisit, more bool) {
	faces := 0
	for i, v := range p.visits {
		if faces += len(v.faces); faces > p.wanted && i > 0 {
			return p.visits[:i], true
		}
	}
	return p.visits, !p.whole
}

// follow brings what is kept up to the archive. Whoever calls it holds the lock.
func (r *Review) follow(ctx context.Context) error {
	k := &r.kept
	// The revision comes first: what changes after it is read again.
	revision, err := r.archive.Revision(ctx)
	if err != nil {
		return err
	}
	since := r.monthAgo()
	if since.Before(k.since) { // by a clock that was set back
		k.known = false
	}
	if k.known && revision != k.revision {
		if err := r.followChanges(ctx); err != nil {
			return err
		}
	}
	if !k.known || k.month.short() || k.strangers.short() {
		if err := r.readKept(ctx); err != nil {
			return err
		}
	}
	k.known, k.revision, k.since = true, revision, since
	for n := len(k.month.visits); n > 0 && k.month.visits[n-1].at().Before(since); n-- {
		whole := k.month.whole
		k.month.drop()
		k.month.whole = whole
	}
	return nil
}

func (r *Review) monthAgo() time.Time { return r.now().AddDate(0, 0, -LookBackDays) }

// followChanges reads the visits again that changed.
func (r *Review) followChanges(ctx context.Context) error {
	k := &r.kept
	ids, err := r.archive.ChangedSince(ctx, k.revision, k.bounds.changed+1)
	if err != nil {
		return err
	}
	if len(ids) > k.bounds.changed {
		k.known = false
		return nil
	}
	faces, err := r.archive.SightingsOn(ctx, ids)
	if err != nil {
		return err
	}
	changed := make(map[string]bool, len(ids))
	for _, id := range ids {
		changed[id] = true
	}
	k.forgetSurely(changed, faces)
	since := r.monthAgo()
	k.month.change(changed, byVisit(slices.DeleteFunc(slices.Clone(faces), func(x house.Sighting) bool {
		return x.ReceivedAt.Before(since)
	})))
	k.strangers.change(changed, byVisit(slices.DeleteFunc(faces, func(x house.Sighting) bool { return !ofStranger(x) })))
	return nil
}

// ofStranger reports whether a face is nobody's of whom anything is known, as found or
// as a resident said.
func ofStranger(x house.Sighting) bool {
	return x.Face.Match == nil || x.Check != nil && x.Check.Person == "" && x.Check.Answer != house.AnswerNotFace
}

// readKept reads all that is kept anew.
func (r *Review) readKept(ctx context.Context) error {
	k := &r.kept
	faces, more, err := r.archive.Sightings(ctx, r.monthAgo(), k.bounds.month+k.bounds.spare)
	if err != nil {
		return err
	}
	strangers, err := r.archive.Strangers(ctx, k.bounds.strangers+k.bounds.spare)
	if err != nil {
		return err
	}
	slices.SortStableFunc(strangers, func(a, b house.Sighting) int { // those of one moment by their visits
		return newer(&pastVisit{faces: []house.Sighting{a}}, &pastVisit{faces: []house.Sighting{b}})
	})
	all := len(strangers) < k.bounds.strangers+k.bounds.spare
	k.month = pastOf(faces, !more, k.bounds.month, k.bounds.spare)
	k.strangers = pastOf(strangers, all, k.bounds.strangers, k.bounds.spare)
	if !all {
		k.strangers.drop() // it may lack some
	}
	k.surely = make(map[string][]house.Sighting)
	return nil
}

// forgetSurely forgets the faces of persons whom changed visits name, or named.
func (k *kept) forgetSurely(changed map[string]bool, faces []house.Sighting) {
	for _, x := range faces {
		if x.Face.Match != nil {
			delete(k.surely, x.Face.Match.Person)
		}
		if x.Check != nil {
			delete(k.surely, x.Check.Person)
		}
	}
	for person, all := range k.surely {
		if slices.ContainsFunc(all, func(x house.Sighting) bool { return changed[x.Visit] }) {
			delete(k.surely, person)
		}
	}
}

// surelyOf returns faces that surely are the person's.
func (r *Review) surelyOf(ctx context.Context, person string) ([]house.Sighting, error) {
	k := &r.kept
	k.mu.Lock()
	defer k.mu.Unlock()
	if err := r.follow(ctx); err != nil {
		return nil, err
	}
	all, ok := k.surely[person]
	if !ok {
		var err error
		if all, err = r.archive.SurelyOf(ctx, person, amongSurest); err != nil {
			return nil, err
		}
		if len(k.surely) >= k.bounds.surely {
			clear(k.surely)
		}
		k.surely[person] = all
	}
	return slices.Clone(all), nil
}

// judge works out what a visit's faces come to by a gallery, unless it is known.
func (v *pastVisit) judge(gallery *match.Gallery) {
	if v.gallery == gallery {
		return
	}
	v.gallery, v.changes, v.near, v.answered = gallery, nil, nil, nil
	for _, c := range judgedAnew(v.faces, gallery) {
		was := Change{c.Sighting, c.Face.Match}
		if c.Check == nil && c.Wanted() != was.Wanted() {
			v.changes = append(v.changes, c)
		}
	}
	v.searches = searches(v.faces, gallery)
}

// judgeStrangers is judge of a visit of which strangers alone are kept.
func (v *pastVisit) judgeStrangers(gallery *match.Gallery) {
	if v.gallery == gallery {
		return
	}
	best, answered := nearestOnVisits(v.faces, gallery)
	v.gallery, v.near, v.answered = gallery, nil, nil
	for _, d := range best {
		v.near = append(v.near, d)
	}
	for about := range answered {
		v.answered = append(v.answered, about)
	}
}

// judged has the visits of the last days judged by the gallery of now, and calls f with
// each, newest first. It returns the gallery, and whether there are more visits.
func (r *Review) judged(ctx context.Context, f func(*pastVisit)) (gallery *match.Gallery, more bool, err error) {
	if gallery, err = r.gallery.Gallery(ctx); err != nil {
		return nil, false, err
	}
	k := &r.kept
	k.mu.Lock()
	defer k.mu.Unlock()
	if err := r.follow(ctx); err != nil {
		return nil, false, err
	}
	visits, more := k.month.newest()
	for _, v := range visits {
		v.judge(gallery)
		f(v)
	}
	return gallery, more, nil
}

// Follow keeps what screens ask about at hand, until the context is done: it reads what
// changed whenever told. What fails is tried again with the next change, or when a screen asks.
func (r *Review) Follow(ctx context.Context, changed <-chan struct{}) {
	for {
		_, _, _ = r.judged(ctx, func(*pastVisit) {})
		_, _ = r.nearStrangers(ctx)
		select {
		case <-ctx.Done():
			return
		case <-changed:
		}
	}
}

package review

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/cluster"
)

// maxStrangers is how many faces of strangers are grouped, the newest. It bounds
// the time and the memory that takes; see package cluster.
const maxStrangers = 10_000

// minGroupedWidth is the width in pixels under which a face is in no group: error
// rates grow tenfold between 32 and 24 pixels, and no longer are as stated.
const minGroupedWidth = 32

// A Stranger is the faces that are probably one stranger's, newest first, of
// which there is at least one.
type Stranger struct {
	Faces  []house.Sighting // without descriptors
	Visits []StrangerVisit  // newest first
}

// A StrangerVisit is a visit with the stranger's faces there, the best first.
type StrangerVisit struct {
	ID, Bell   string
	ReceivedAt time.Time
	Faces      []house.Sighting
}

// First returns when the stranger rang first, of what is kept.
func (s Stranger) First() time.Time { return s.Visits[len(s.Visits)-1].ReceivedAt }

// Last returns when the stranger rang last.
func (s Stranger) Last() time.Time { return s.Visits[0].ReceivedAt }

// Best returns the face that shows the stranger best.
func (s Stranger) Best() house.Sighting { return slices.MinFunc(s.Faces, better) }

// groups remembers the strangers' groups, as long as no visit changes: they are
// worked out again from what the archive holds whenever one does, and so go with
// the stills they came from. No descriptor is remembered.
type groups struct {
	mu       sync.Mutex // held while they are worked out, so that it is done once
	known    bool
	revision int64
	distance float64 // within which they are
	all      []Stranger
}

// SeenAgain returns the strangers who rang at least twice, the one seen last
// first, and the distance within which all faces of one are: that of
// cluster.FMR. Nothing of it is stored, and nobody is named by it.
func (r *Review) SeenAgain(ctx context.Context) (again []Stranger, distance float64, err error) {
	all, distance, err := r.strangers(ctx)
	for _, s := range all {
		if len(s.Visits) > 1 {
			again = append(again, s)
		}
	}
	return again, distance, err
}

// Stranger returns the stranger that a face is of. The error is
// house.ErrNotFound.
func (r *Review) Stranger(ctx context.Context, face string) (Stranger, error) {
	all, _, err := r.strangers(ctx)
	if err != nil {
		return Stranger{}, err
	}
	for _, s := range all {
		if slices.ContainsFunc(s.Faces, func(f house.Sighting) bool { return f.ID == face }) {
			return s, nil
		}
	}
	return Stranger{}, fmt.Errorf("a stranger's face %s: %w", face, house.ErrNotFound)
}

func (r *Review) strangers(ctx context.Context) (all []Stranger, distance float64, err error) {
	gallery, err := r.gallery.Gallery(ctx)
	if err != nil {
		return nil, 0, err
	}
	distance = cluster.Distance(gallery.Curve(), cluster.FMR)
	g := &r.groups
	g.mu.Lock()
	defer g.mu.Unlock()
	// The revision comes first: what changes after it is read again.
	revision, err := r.archive.Revision(ctx)
	if err != nil {
		return nil, 0, err
	}
	if g.known && g.revision == revision && g.distance == distance {
		return g.all, distance, nil
	}
	faces, err := r.archive.Strangers(ctx, maxStrangers)
	if err != nil {
		return nil, 0, err
	}
	g.all, g.revision, g.distance, g.known = groupStrangers(faces, distance), revision, distance, true
	return g.all, distance, nil
}

// groupStrangers groups faces, which come newest first.
func groupStrangers(faces []house.Sighting, distance float64) (all []Stranger) {
	faces = slices.DeleteFunc(faces, func(f house.Sighting) bool {
		said := f.Check != nil && (f.Check.Answer == house.AnswerNotFace || f.Check.Person != "")
		return said || widthOf(f.Face) < minGroupedWidth
	})
	descriptors := make([]house.Descriptor, len(faces))
	for i := range faces {
		descriptors[i] = faces[i].Face.Descriptor
		faces[i].Face.Descriptor = house.Descriptor{}
	}
	for _, places := range cluster.Faces(descriptors, distance) {
		var s Stranger
		for _, at := range places {
			s.add(faces[at])
		}
		for _, v := range s.Visits {
			slices.SortStableFunc(v.Faces, better)
		}
		all = append(all, s)
	}
	return all
}

func (s *Stranger) add(f house.Sighting) {
	s.Faces = append(s.Faces, f)
	at := slices.IndexFunc(s.Visits, func(v StrangerVisit) bool { return v.ID == f.Visit })
	if at < 0 {
		at = len(s.Visits)
		s.Visits = append(s.Visits, StrangerVisit{ID: f.Visit, Bell: f.Bell, ReceivedAt: f.ReceivedAt})
	}
	s.Visits[at].Faces = append(s.Visits[at].Faces, f)
}

// Package review is what the household's answers do.
//
// A [Review] runs on the archive and knows no screen: pages, programs and
// commands ask it alike. What comes in are faces that were judged before and
// what residents say of them; what goes out are questions, past findings that
// would be others now, and persons:
//
//	r := review.New(archive, match.NewCurrent(archive), time.Now)
//
//	page, next, err := r.Queue(ctx, review.Cursor{}, 20)                 // whom to ask about, the most doubtful first
//	done, err := r.Answer(ctx, page[0].ID, review.Given{Answer: house.AnswerYes, Reference: true})
//	changes, err := r.Changes(ctx)                                       // what the references of today would find
//	n, err := r.Apply(ctx, []review.Wanted{changes[0].Wanted()})         // only what somebody has seen
//	past, err := r.LookBack(ctx)                                         // then past.At(0.45): another threshold
//	seen, err := r.SeenAgain(ctx, "", 20)                                // strangers who rang more than once
//	jory := review.Introduction{Name: "Jory Tarn", Consent: consent}
//	made, err := r.Introduce(ctx, seen.Strangers[0].Faces[0].ID, jory)
//
// # What an answer does
//
// An answer is about its own visit. Whose it says the face is, that the face is from
// then on, on all frames of the ring that show one person: the visit is kept and
// found by it. What was found stays beside it, and holds again once the answer is
// taken back: an answer makes nothing surer than it is, and helps no advice. A face becomes a reference only where that is asked for, the
// person's consent is in force and [Fault] finds nothing wrong with it. A
// stranger's distances to everybody are counted, and the curve of package match
// follows them.
//
// What was found on other visits stays as it was. [Review.Changes] says what
// would be found now, and [Review.Apply] does what somebody ticked.
//
// # Distances
//
// All distances are Euclidean, of two descriptors, and smaller is more alike.
// FPIR, FNIR and FMR are the rates of ISO/IEC 19795-1, from 0 to 1.
package review

import (
	"context"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/cluster"
	"lintel/pipeline/match"
)

// An Archive is what a [Review] needs of a store.Archive.
type Archive interface {
	Faces
	Persons
	Answers
	Strangers
}

// Strangers are faces that are nobody's, by which of them are one's.
type Strangers interface {
	cluster.Book
	SeenAgain(ctx context.Context, before time.Time, after int64, limit int) ([]house.SeenStranger, error)
	SeenOn(ctx context.Context, visit string) ([]house.SeenStranger, error)
	SeenStranger(ctx context.Context, stranger int64) (house.SeenStranger, error)
	SightingsOf(ctx context.Context, stranger int64, limit int) ([]house.Sighting, error)
	StrangerOf(ctx context.Context, face string) (house.StrangersFace, error)
	WaitingOn(ctx context.Context, visit string, within int) (bool, error)
	Watch() (changed <-chan struct{}, stop func())
}

// Faces are those that the archive keeps.
type Faces interface {
	// Revision grows with every change of a visit.
	Revision(ctx context.Context) (int64, error)
	Sighting(ctx context.Context, face string) (house.Sighting, error)
	Sightings(ctx context.Context, since time.Time, limit int) (all []house.Sighting, more bool, err error)
	// SightingsOn returns those of visits, and ChangedSince which changed or went.
	SightingsOn(ctx context.Context, visits []string) ([]house.Sighting, error)
	ChangedSince(ctx context.Context, revision int64, limit int) (visits []string, err error)
	Doubtful(ctx context.Context, fpir float64, face string, limit int) ([]house.Sighting, error)
	Strangers(ctx context.Context, limit int) ([]house.Sighting, error)
	SurelyOf(ctx context.Context, person string, limit int) ([]house.Sighting, error)
	NamedOn(ctx context.Context, visits []string) (map[house.Naming]bool, error)
	Gallery(ctx context.Context) ([]house.Reference, error)
	Visit(ctx context.Context, id string) (house.Visit, error)
	ReadStill(ctx context.Context, visit string, frame int) ([]byte, error)
}

// Persons are who is enrolled.
type Persons interface {
	Persons(ctx context.Context) ([]house.Person, error)
	Person(ctx context.Context, idOrName string) (house.Person, error)
	Consents(ctx context.Context, person string) ([]house.RecordedConsent, error)
	Introduce(ctx context.Context, name string, c house.Consent, references []house.Reference) (house.Person, error)
	AddReference(ctx context.Context, r house.Reference) error
}

// Answers change what was found.
type Answers interface {
	Visit(ctx context.Context, id string) (house.Visit, error)
	Answer(ctx context.Context, c house.Check) error
	Rename(ctx context.Context, all []house.Renaming) (renamed int, err error)
}

// A Review asks about faces and does what is answered. It is safe for use by
// several goroutines.
type Review struct {
	archive Archive
	gallery *match.Current
	now     func() time.Time
	groups  *cluster.Groups
	kept    kept
}

// New returns a review of an archive's faces, by the gallery that is theirs.
func New(archive Archive, gallery *match.Current, now func() time.Time) *Review {
	return &Review{archive: archive, gallery: gallery, now: now, groups: cluster.NewGroups(archive),
		kept: kept{bounds: usualBounds}}
}

// Names returns the names of all persons, by id.
func (r *Review) Names(ctx context.Context) (map[string]string, error) {
	persons, err := r.archive.Persons(ctx)
	if err != nil {
		return nil, err
	}
	names := make(map[string]string, len(persons))
	for _, p := range persons {
		names[p.ID] = p.Name
	}
	return names, nil
}

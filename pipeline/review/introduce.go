package review

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"lintel/internal/house"
	"lintel/pipeline/match"
	"lintel/pipeline/quality"
)

// maxReferences is how many references are enrolled of a stranger: more of the
// same days add little, and each is compared with every face to come.
const maxReferences = 8

// allFaces is how many faces of a stranger are looked at for that, the latest: as many as
// anybody has within a year who rings ten times a day on three frames.
const allFaces = 10_000

// An Introduction says who a stranger is: somebody new, who agreed to be known,
// or somebody enrolled already.
type Introduction struct {
	Person     string        `json:"person"` // id of who is enrolled already; then name and consent are not looked at
	Name       string        `json:"name"`
	Consent    house.Consent `json:"consent"`
	Visits     []string      `json:"visits"`      // that are theirs for sure; none for all of the stranger's
	NameVisits bool          `json:"name_visits"` // whether these visits name them from now on
}

// An Introduced is what came of an introduction.
type Introduced struct {
	Person     house.Person
	References int // enrolled now
	Named      int // visits that name the person now
	Of         int // visits that were to
}

var (
	// ErrNoPerson says that nobody of an id is enrolled.
	ErrNoPerson = errors.New("there is no such person")
	// ErrStrangerChanged says that a visit is not the stranger's, or no longer.
	ErrStrangerChanged = errors.New("the visits of this stranger have changed")
)

// A NoReferenceError is a house.ErrNoReference that says what is wrong with the
// best face.
type NoReferenceError struct {
	Fault *quality.Complaint // nil where no face is left
}

func (e *NoReferenceError) Error() string {
	if e.Fault == nil {
		return house.ErrNoReference.Error()
	}
	return fmt.Sprintf("%v: %s", house.ErrNoReference, e.Fault.Code)
}

func (e *NoReferenceError) Unwrap() error { return house.ErrNoReference }

// Introduce makes a person of the stranger that a face is of: with the consent,
// and with references from the visits that are theirs for sure. Visits name the
// person only if that is asked for, and then as any finding does: where the face
// is near enough to the references, with the distance and the band that this has.
//
// The errors are house.ErrNotFound where there is no such stranger,
// ErrStrangerChanged, [NoReferenceError], ErrNoPerson, house.ErrNoConsent and
// house.ErrBadPersonName; with any of them nobody new was enrolled.
func (r *Review) Introduce(ctx context.Context, face string, in Introduction) (done Introduced, err error) {
	s, err := r.strangerOf(ctx, face, allFaces)
	if err != nil {
		return done, err
	}
	visits, err := s.visits(in.Visits)
	if err != nil {
		return done, err
	}
	if visits, err = r.described(ctx, visits); err != nil {
		return done, err
	}
	if err := r.alike(ctx, face, visits); err != nil {
		return done, err
	}
	references, of, err := referencesFrom(visits)
	if err == nil {
		err = r.portrayed(ctx, references, of)
	}
	if err != nil {
		return done, err
	}
	if in.Person != "" {
		done.Person, done.References, err = r.enrol(ctx, in.Person, references)
	} else {
		done.Person, err = r.archive.Introduce(ctx, in.Name, in.Consent, references)
		done.References = done.Person.References
	}
	if err != nil {
		return done, err
	}
	if in.NameVisits {
		done.Of = len(visits)
		if done.Named, err = r.nameVisits(ctx, visits, done.Person.ID); err != nil {
			return done, err
		}
	}
	done.Person, err = r.archive.Person(ctx, done.Person.ID)
	return done, err
}

// enrol adds references to somebody who is enrolled already, and returns how many
// were new. The errors are ErrNoPerson and house.ErrNoConsent.
func (r *Review) enrol(
	ctx context.Context, person string, references []house.Reference,
) (p house.Person, added int, err error) {
	p, err = r.archive.Person(ctx, person)
	switch {
	case errors.Is(err, house.ErrNotFound), errors.Is(err, house.ErrAmbiguous),
		err == nil && p.ID != person: // a name will not do
		return p, 0, ErrNoPerson
	case err != nil:
		return p, 0, err
	}
	for _, ref := range references {
		ref.Person = p.ID
		err := r.archive.AddReference(ctx, ref)
		if err == nil {
			added++
		} else if !errors.Is(err, house.ErrExists) {
			return p, added, err
		}
	}
	return p, added, nil
}

// visits returns those of the ids, or all for none. The error is
// ErrStrangerChanged.
func (s Stranger) visits(ids []string) (some []StrangerVisit, err error) {
	if len(ids) == 0 {
		return s.Visits, nil
	}
	for _, v := range s.Visits {
		if slices.Contains(ids, v.ID) {
			some = append(some, v)
		}
	}
	unique := slices.Compact(slices.Sorted(slices.Values(ids)))
	if len(some) < len(unique) {
		return nil, ErrStrangerChanged
	}
	return some, nil
}

// described returns visits with the faces as they are now, with descriptors. A
// face that went or that was named meanwhile is left out.
func (r *Review) described(ctx context.Context, visits []StrangerVisit) (all []StrangerVisit, err error) {
	for _, v := range visits {
		faces := v.Faces
		v.Faces = nil
		for _, f := range faces {
			now, err := r.archive.Sighting(ctx, f.ID)
			if errors.Is(err, house.ErrNotFound) {
				continue
			}
			if err != nil {
				return nil, err
			}
			if now.Kept() && now.Face.Whose() == "" {
				v.Faces = append(v.Faces, now)
			}
		}
		if len(v.Faces) > 0 {
			all = append(all, v)
		}
	}
	return all, nil
}

// alike reports ErrStrangerChanged unless all faces are as near to one as those of a
// stranger are: that they are one's stands in the archive, where somebody without the
// master key could write it, and now a person is made of them.
func (r *Review) alike(ctx context.Context, face string, visits []StrangerVisit) error {
	within, err := r.within(ctx)
	if err != nil {
		return err
	}
	one, err := r.archive.Sighting(ctx, face)
	if err != nil {
		return err
	}
	for _, v := range visits {
		for i := range v.Faces {
			if match.Distance(&one.Face.Descriptor, &v.Faces[i].Face.Descriptor) > float64(within)/100 {
				return ErrStrangerChanged
			}
		}
	}
	return nil
}

// referencesFrom makes references of the best face of each visit, where that is
// good enough: the best of them, maxReferences at most, with the faces that they
// are of. The error is a NoReferenceError if none is.
func referencesFrom(visits []StrangerVisit) (references []house.Reference, of []house.Sighting, err error) {
	var best []house.Sighting
	for _, v := range visits {
		best = append(best, v.Faces[0])
	}
	slices.SortStableFunc(best, better)
	var first *quality.Complaint
	for _, f := range best {
		if fault := Fault(f.Face); fault != nil {
			if first == nil {
				first = fault
			}
			continue
		}
		references, of = append(references, referenceFrom(f, "")), append(of, f)
		if len(references) == maxReferences {
			break
		}
	}
	if len(references) == 0 {
		return nil, nil, &NoReferenceError{first}
	}
	return references, of, nil
}

// nameVisits has visits name the person where their faces, all frames together,
// are nearest to that person, and returns how many do.
func (r *Review) nameVisits(ctx context.Context, visits []StrangerVisit, person string) (named int, err error) {
	gallery, err := r.gallery.Gallery(ctx)
	if err != nil {
		return 0, err
	}
	for _, v := range visits {
		var probes []match.Probe
		for _, f := range v.Faces {
			probes = append(probes, match.ProbeOf(f.Face))
		}
		m := gallery.Identify(probes...)
		if m == nil || m.Person != person {
			continue
		}
		var anew []house.Renaming
		for _, f := range v.Faces {
			anew = append(anew, house.Renaming{Face: f.ID, Becomes: m})
		}
		faces, err := r.archive.Rename(ctx, anew)
		if faces > 0 {
			named++
		}
		if err != nil {
			return named, err
		}
	}
	return named, nil
}

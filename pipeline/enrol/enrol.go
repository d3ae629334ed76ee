// Package enrol makes a reference of a photograph that somebody chose.
//
// What comes in are the bytes of a photograph and whose it is; what goes out is
// a reference in the gallery, with a small picture of the face, what was measured
// of it and what it adds, or why there is none, at once:
//
//	got, err := enrol.Enrol(ctx, archive, finder.Find, person, house.FromPhotograph, photograph)
//	var poor enrol.Poor
//	if errors.As(err, &poor) { … } // got.Quality has what was measured
//
// A reference counts in every comparison to come, so one that [quality.Judge]
// complains about is refused. A still of a visit becomes a reference in package
// review.
package enrol

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"image"

	"lintel/internal/house"
	"lintel/pipeline/decoding"
	"lintel/pipeline/intake"
	"lintel/pipeline/match"
	"lintel/pipeline/quality"
)

var (
	// ErrNoFace says that no face was found.
	ErrNoFace = errors.New("no face found; choose a photograph that shows it from the front, in good light")
	// ErrFaces says that there are several.
	ErrFaces = errors.New("several faces; cut out the person's")
)

// A Poor picture of a face makes no reference. It is an error: all that is wrong
// with it, the worst first.
type Poor []quality.Complaint

func (p Poor) Error() string { return "the picture is too poor: " + p[0].Code }

// Find finds the faces on a picture, as a face.Finder does.
type Find func(ctx context.Context, picture image.Image) ([]house.Face, error)

// An Archive keeps the gallery.
type Archive interface {
	match.Source
	// AddReference returns house.ErrNoConsent, house.ErrExists and
	// house.ErrNotFound.
	AddReference(ctx context.Context, r house.Reference) error
}

// A Reference is one that was enrolled, or the face that was too poor.
type Reference struct {
	Quality house.Quality // EyeDistance is 0 where no eyes were found
	Score   float64       // over 0 to 1, as package quality scores it
	Without match.Gain    // how surely the face was known before; zero where it was too poor
}

// Enrol makes a reference of the one face on a photograph, and keeps the face on it
// as a portrait. The errors are those of [Try] and of Archive.AddReference.
func Enrol(ctx context.Context, archive Archive, find Find, person string, from house.Origin, photograph []byte,
) (r Reference, err error) {
	r, added, err := try(ctx, archive, find, person, from, photograph)
	if err != nil {
		return r, err
	}
	return r, archive.AddReference(ctx, added)
}

// Try says what [Enrol] would make of a photograph, and keeps nothing. The errors
// are those of [OnlyFace], and a [Poor].
func Try(ctx context.Context, archive match.Source, find Find, person string, photograph []byte) (Reference, error) {
	r, _, err := try(ctx, archive, find, person, house.FromPhotograph, photograph)
	return r, err
}

func try(ctx context.Context, archive match.Source, find Find, person string, from house.Origin, photograph []byte,
) (r Reference, made house.Reference, err error) {
	picture, f, err := OnlyFace(ctx, find, photograph)
	if err != nil {
		return r, made, err
	}
	r.Quality = quality.Measure(picture, f)
	score, complaints := quality.Judge(r.Quality)
	r.Score = score
	if len(complaints) > 0 {
		return r, made, Poor(complaints)
	}
	gallery, err := match.NewCurrent(archive).Gallery(ctx)
	if err != nil {
		return r, made, err
	}
	references, err := archive.Gallery(ctx)
	if err != nil {
		return r, made, err
	}
	made = house.Reference{Person: person, Descriptor: f.Descriptor, FaceWidth: f.Width(), Quality: score,
		SourceSHA256: sha256.Sum256(photograph)}
	if made.Portrait, err = portraitOf(from, picture, f); err != nil {
		return r, made, err
	}
	r.Without = match.GainOf(made, references, gallery.Curve())
	return r, made, nil
}

// OnlyFace returns a photograph upright, and the one face on it. The errors are
// ErrNoFace, ErrFaces, and those of intake.Clean.
func OnlyFace(ctx context.Context, find Find, photograph []byte) (picture image.Image, f house.Face, err error) {
	sent, err := intake.Open(photograph)
	if err != nil {
		return nil, f, err
	}
	end, err := decoding.Begin(ctx, "residents", sent.Memory())
	if err != nil {
		return nil, f, err
	}
	defer end()
	clean, err := sent.Clean()
	if err != nil {
		return nil, f, err
	}
	if picture, err = clean.Picture(); err != nil {
		return nil, f, err
	}
	faces, err := find(ctx, picture)
	switch {
	case err != nil:
		return nil, f, err
	case len(faces) == 0:
		return nil, f, ErrNoFace
	case len(faces) > 1:
		return nil, f, fmt.Errorf("%w (%d of them)", ErrFaces, len(faces))
	}
	return picture, faces[0], nil
}

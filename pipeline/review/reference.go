package review

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"image"
	"image/jpeg"

	"lintel/internal/house"
	"lintel/pipeline/decoding"
	"lintel/pipeline/enrol"
	"lintel/pipeline/quality"
)

// Fault says why a face makes no reference, nil if it does. Where nothing was
// measured of its quality only its width tells.
func Fault(f house.Face) *quality.Complaint {
	if f.Quality != nil {
		if _, complaints := quality.Judge(*f.Quality); len(complaints) > 0 {
			return &complaints[0]
		}
		return nil
	}
	if f.Width() < quality.MinWidth {
		return &quality.Complaint{Code: "small", Value: float64(f.Width())}
	}
	return nil
}

// referenceFrom makes a reference of a face on a still, for [Fault] finds nothing
// wrong with it. The still's id stands for the picture: its bytes change where it
// is masked or made smaller.
func referenceFrom(x house.Sighting, person string) house.Reference {
	return house.Reference{
		Person: person, Descriptor: x.Face.Descriptor, FaceWidth: x.Face.ExaminedWidth(), Quality: scoreOf(x.Face),
		SourceSHA256: sha256.Sum256([]byte("still " + x.Still)),
	}
}

// portrayed adds to references the pictures of the faces that they are of, cut out
// of their stills: these go by the rules, and a reference stays.
func (r *Review) portrayed(ctx context.Context, references []house.Reference, of []house.Sighting) error {
	for i, x := range of {
		cut, err := r.portrait(ctx, x)
		if err != nil {
			return err
		}
		if cut != nil {
			references[i].Portrait = &house.Portrait{Origin: house.FromVisit, JPEG: cut}
		}
	}
	return nil
}

// portrait cuts a face out of its still; nil where that went or broke meanwhile.
func (r *Review) portrait(ctx context.Context, x house.Sighting) ([]byte, error) {
	v, err := r.archive.Visit(ctx, x.Visit)
	var data []byte
	if err == nil {
		data, err = r.archive.ReadStill(ctx, x.Visit, x.Frame)
	}
	if errors.Is(err, house.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("reading a still for a reference: %w", err)
	}
	var others []image.Rectangle
	for _, s := range v.Stills {
		for _, f := range s.Faces {
			if s.ID == x.Still && s.File != x.File {
				return nil, nil // a smaller one took its place, with other boxes
			} else if s.ID == x.Still && f.ID != x.ID {
				others = append(others, f.Box)
			}
		}
	}
	end, err := decoding.Begin(ctx, "residents", decoding.StillMemory(data))
	if err != nil {
		return nil, err
	}
	defer end()
	still, err := jpeg.Decode(bytes.NewReader(data))
	if err != nil {
		return nil, nil // it broke since the face was described, whose numbers are as good as ever
	}
	return enrol.Portrait(still, x.Face.Box, others)
}

// better puts the face first that would make the better reference: by its
// quality, and by its width where that was not measured.
func better(a, b house.Sighting) int {
	return cmp.Or(cmp.Compare(scoreOf(b.Face), scoreOf(a.Face)), b.Face.ExaminedWidth()-a.Face.ExaminedWidth())
}

// scoreOf is a face's quality, 0 where it was not measured.
func scoreOf(f house.Face) float64 {
	if f.Quality == nil {
		return 0
	}
	score, _ := quality.Judge(*f.Quality)
	return score
}

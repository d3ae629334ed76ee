package face

import (
	"fmt"

	goface "github.com/Kagami/go-face"

	"lintel/internal/house"
)

// Bare is go-face with nothing around it: one call on the whole picture. It is
// the yardstick that a [Finder] is measured against, and nothing else: what
// somebody sent must not reach C++ as it is, which here it does. Like a Finder
// it is for one goroutine at a time and runs on one thread of BLAS.
type Bare struct{ recognizer *goface.Recognizer }

// OpenBare loads go-face's model files from a folder. The error is ErrModels
// if one is missing or broken.
func OpenBare(models string) (*Bare, error) {
	recognizer, err := goface.NewRecognizer(models)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrModels, err)
	}
	return &Bare{recognizer}, nil
}

// Close frees the models.
func (b *Bare) Close() error {
	b.recognizer.Close()
	return nil
}

// Find returns the faces on a JPEG picture, from left to right. It fails on a
// picture that is grey, that lies in CMYK, or that libjpeg warns about, where
// a decoder in Go may still see something.
func (b *Bare) Find(jpeg []byte) ([]house.Face, error) {
	faces, err := b.recognizer.Recognize(jpeg)
	if err != nil {
		return nil, fmt.Errorf("asking go-face about the whole picture: %w", err)
	}
	whole := crop{scale: 1}
	var found []house.Face
	for _, f := range faces {
		found = append(found, whole.onStill(f))
	}
	return found, nil
}

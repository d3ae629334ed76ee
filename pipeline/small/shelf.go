package small

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"log/slog"

	"golang.org/x/sync/singleflight"

	"lintel/internal/house"
	"lintel/pipeline/decoding"
)

// An Archive is what a shelf needs of the store.
type Archive interface {
	Visit(ctx context.Context, id string) (house.Visit, error)
	ReadStill(ctx context.Context, visit string, frame int) ([]byte, error)

	// ReadSmall and KeepSmall read and keep what lies beside a still's file. The
	// error is house.ErrNotFound if nothing does, or the file is another by now.
	ReadSmall(ctx context.Context, of house.Still) ([]byte, error)
	KeepSmall(ctx context.Context, of house.Still, packed []byte) error
}

// A Shelf has the small pictures of all stills. It is safe for use by several
// goroutines: those who ask for pictures of one still that are not made yet wait
// for one of them to make them.
type Shelf struct {
	archive Archive
	log     *slog.Logger
	making  singleflight.Group // by the still's file
}

// NewShelf returns the archive's shelf.
func NewShelf(archive Archive, log *slog.Logger) *Shelf { return &Shelf{archive: archive, log: log} }

// Still returns a picture of a still that is as wide as one of [Widths], or the still
// itself where that is no wider. The error is house.ErrNotFound if the still's file is
// gone or another by now.
func (s *Shelf) Still(ctx context.Context, of house.Still, width int) ([]byte, error) {
	if of.Width <= width {
		return s.archive.ReadStill(ctx, of.Visit, of.Frame)
	}
	if width > keptWidth {
		made, err, _ := s.making.Do(fmt.Sprintf("%s %d", of.File, width), func() (any, error) {
			return s.wide(context.WithoutCancel(ctx), of, width)
		})
		return made.([]byte), err
	}
	p, err := s.pictures(ctx, of, func(p Pictures) bool { return p[ofStill(width)] != nil })
	if err == nil && p[ofStill(width)] == nil {
		err = fmt.Errorf("still %d of visit %s: %w", of.Frame, of.Visit, house.ErrNotFound)
	}
	return p[ofStill(width)], err
}

// Face returns the picture of a face of a still, by its id: a square around it of one
// of [Sizes], or less where the still has no more pixels. The error is
// house.ErrNotFound if there is no such face, or as for Still.
func (s *Shelf) Face(ctx context.Context, of house.Still, face string, size int) ([]byte, error) {
	p, err := s.pictures(ctx, of, func(p Pictures) bool { return p.Face(face, size) != nil })
	if err == nil && p.Face(face, size) == nil {
		err = fmt.Errorf("face %s: %w", face, house.ErrNotFound)
	}
	return p.Face(face, size), err
}

// Examined makes the pictures of a still whose findings were recorded just now, while
// it is decoded.
func (s *Shelf) Examined(ctx context.Context, of house.Still, img image.Image) error {
	_, err, _ := s.making.Do(of.File, func() (any, error) { return s.make(ctx, of, img) })
	return gone(err)
}

// gone is the error of making pictures, but for that of a still that went meanwhile.
func gone(err error) error {
	if errors.Is(err, house.ErrNotFound) {
		return nil
	}
	return err
}

// pictures returns those of a still that are kept, if one is there, and makes them
// otherwise.
func (s *Shelf) pictures(ctx context.Context, of house.Still, there func(Pictures) bool) (Pictures, error) {
	packed, err := s.archive.ReadSmall(ctx, of)
	if err == nil {
		if kept, err := unpack(packed); err == nil && there(kept) {
			return kept, nil
		}
	} else if !errors.Is(err, house.ErrNotFound) {
		return nil, err
	}
	made, err, _ := s.making.Do(of.File, func() (any, error) {
		return s.make(context.WithoutCancel(ctx), of, nil) // others may wait for it who did not hang up
	})
	return made.(Pictures), err
}

// make makes the pictures of a still, decoding it unless it is. Those of one that was
// not examined yet lack faces, and are not kept.
func (s *Shelf) make(ctx context.Context, of house.Still, img image.Image) (p Pictures, err error) {
	now, err := s.current(ctx, of)
	if err != nil {
		return nil, err
	}
	if img == nil {
		var end func()
		if img, end, err = s.decode(ctx, of); err != nil {
			return nil, err
		}
		defer end()
	}
	if p, err = Make(img, now.Faces); err != nil || now.State == house.Pending {
		return p, err
	}
	packed, err := p.pack()
	if err == nil {
		err = gone(s.archive.KeepSmall(ctx, now, packed))
	}
	if err != nil { // they can be seen all the same, and be made again
		s.log.Error("keeping small pictures", "visit", of.Visit, "frame", of.Frame, "err", err)
	}
	return p, nil
}

// current returns a still as it is now. The error is house.ErrNotFound if its file
// is another by now.
func (s *Shelf) current(ctx context.Context, of house.Still) (house.Still, error) {
	v, err := s.archive.Visit(ctx, of.Visit)
	if err != nil {
		return house.Still{}, err
	}
	for _, still := range v.Stills {
		if still.Frame == of.Frame && still.File == of.File {
			return still, nil
		}
	}
	return house.Still{}, fmt.Errorf("still %d of visit %s: %w", of.Frame, of.Visit, house.ErrNotFound)
}

// decode reads a still back and decodes it, when there is memory for that and a copy.
func (s *Shelf) decode(ctx context.Context, of house.Still) (img image.Image, end func(), err error) {
	data, err := s.archive.ReadStill(ctx, of.Visit, of.Frame)
	if err != nil {
		return nil, nil, err
	}
	if end, err = decoding.Begin(ctx, "small pictures", 2*decoding.StillMemory(data)); err != nil {
		return nil, nil, err
	}
	if img, err = jpeg.Decode(bytes.NewReader(data)); err != nil {
		end()
		return nil, nil, fmt.Errorf("decoding a still for small pictures: %w", err)
	}
	return img, end, nil
}

// wide makes a picture that is not kept.
func (s *Shelf) wide(ctx context.Context, of house.Still, width int) ([]byte, error) {
	img, end, err := s.decode(ctx, of)
	if err != nil {
		return nil, err
	}
	defer end()
	p := make(Pictures)
	err = p.add(ofStill(width), narrowed(img, width))
	return p[ofStill(width)], err
}

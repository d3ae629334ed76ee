package export

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"lintel/internal/house"
)

// VisitArchive is what the export of a visit needs of a store.Archive.
type VisitArchive interface {
	ReadStill(ctx context.Context, visit string, frame int) ([]byte, error)
}

// A VisitDocument is data.json of a visit's export: the visit as the API tells of
// it, and what the audit trail has of it, oldest first.
type VisitDocument struct {
	Format string        `json:"format"` // VisitFormat
	MadeAt time.Time     `json:"made_at"`
	Visit  any           `json:"visit"`
	Trail  []house.Entry `json:"trail"`
}

// VisitFormat names the format of a visit's export.
const VisitFormat = "lintel visit 1"

// WriteVisit writes a zip of one visit for the household: data.json, each still that
// is kept as stills/FRAME.jpg, and SHA256SUMS. Nothing is blurred. A still that can't
// be read is left out, and data.json then says of it what the archive knows. After
// an error what was written is no whole zip.
func WriteVisit(ctx context.Context, a VisitArchive, w io.Writer, v house.Visit, d VisitDocument) error {
	p := newPack(w, d.MadeAt)
	for _, s := range v.Stills {
		if s.File == "" {
			continue
		}
		data, err := a.ReadStill(ctx, v.ID, s.Frame)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if errors.Is(err, house.ErrNotFound) || reasonOf(err) == broken || reasonOf(err) == lost {
			continue
		}
		if err == nil {
			err = p.add(fmt.Sprintf("stills/%d.jpg", s.Frame), stored, func(w io.Writer) error {
				_, err := w.Write(data)
				return err
			})
		}
		if err != nil {
			return fmt.Errorf("exporting visit %s: %w", v.ID, err)
		}
	}
	d.Format = VisitFormat
	err := p.add("data.json", deflated, func(w io.Writer) error {
		e := json.NewEncoder(w)
		e.SetIndent("", "  ")
		return e.Encode(d)
	})
	if err != nil {
		return fmt.Errorf("exporting visit %s: %w", v.ID, err)
	}
	return p.close()
}

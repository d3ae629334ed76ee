package export

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"io/fs"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/pipeline/liveness"
	"lintel/pipeline/redact"
	"lintel/store/seal"
)

// A missing says why a still is not in the export; "" if it is.
type missing string

const (
	removed       missing = "removed"
	lost          missing = "lost"
	broken        missing = "broken"
	noPicture     missing = "no-picture"
	unreadable    missing = "unreadable"
	notExamined   missing = "not-examined"
	notExaminable missing = "not-examinable"
	crowded       missing = "crowded"
	changing      missing = "changing"
)

// count adds the still to the summary.
func (sum *Summary) count(s stillRecord) {
	switch s.Missing {
	case "":
		sum.Stills++
		sum.Blurred += s.OtherFaces
	case removed:
		sum.Gone++
	case notExamined, notExaminable, crowded:
		sum.Withheld++
	default:
		sum.Unreadable++
	}
}

// writeVisit gives a visit's stills out and records it.
func (e *Export) writeVisit(ctx context.Context, p *pack, v house.Visit, sum *Summary) (visitRecord, error) {
	record := e.visitOf(v)
	sum.Visits++
	for _, s := range v.Stills {
		r, still, err := e.still(ctx, v, s.Frame)
		if err != nil {
			return record, err
		}
		if r.Missing == "" {
			r.File = fmt.Sprintf("stills/%s_%s_%d.jpg", v.ReceivedAt.In(e.zone).Format("2006-01-02_15-04-05"), v.ID, s.Frame)
			err := p.add(r.File, stored, func(w io.Writer) error {
				_, err := w.Write(still)
				return err
			})
			if err != nil {
				return record, err
			}
		}
		sum.count(r)
		record.Stills = append(record.Stills, r)
	}
	return record, nil
}

// tries is how often a still is read again because its visit changed meanwhile.
const tries = 5

// still returns a still as it is given out. Boxes of faces go with one state of
// a still: on the smaller one that took its place they would blur the wrong
// place. So the visit must not have changed by the time that the still is read.
func (e *Export) still(ctx context.Context, v house.Visit, frame int) (stillRecord, []byte, error) {
	for range tries {
		s, ok := frameOf(v, frame)
		if !ok {
			break
		}
		data, err := e.archive.ReadStill(ctx, v.ID, frame)
		if ctx.Err() != nil {
			return stillRecord{}, nil, ctx.Err()
		}
		now, errNow := e.archive.Visit(ctx, v.ID)
		switch {
		case errors.Is(errNow, house.ErrNotFound): // the visit went just now
			s.File, s.Lost, data = "", false, nil
		case errNow != nil:
			return stillRecord{}, nil, errNow
		case now.Revision != v.Revision:
			v = now
			continue
		}
		r := e.stillOf(s)
		if r.Missing == "" {
			r.Missing = reasonOf(err)
		}
		if r.Missing == "" {
			data, err = e.blur(data, s, &r)
			if err != nil {
				r.Missing = noPicture
			}
		}
		return r, data, nil
	}
	s, ok := frameOf(v, frame)
	r := e.stillOf(s)
	if r.Frame = frame; ok {
		r.Missing = changing
	}
	return r, nil, nil
}

func frameOf(v house.Visit, frame int) (house.Still, bool) {
	for _, s := range v.Stills {
		if s.Frame == frame {
			return s, true
		}
	}
	return house.Still{}, false
}

// reasonOf says why a still could not be read.
func reasonOf(err error) missing {
	switch {
	case err == nil:
		return ""
	case errors.Is(err, house.ErrNotFound):
		return removed
	case errors.Is(err, seal.ErrOpen):
		return broken
	case errors.Is(err, fs.ErrNotExist):
		return lost
	}
	return unreadable
}

// stillOf records a still by its row.
func (e *Export) stillOf(s house.Still) stillRecord {
	r := stillRecord{
		Frame: s.Frame, Width: s.Width, Height: s.Height, Damaged: s.Damaged,
		ReceivedAt: s.ReceivedAt, TakenAt: s.TakenAt, State: s.State, Faces: []faceRecord{},
	}
	switch {
	case s.File == "" && s.Lost:
		r.Missing = lost
	case s.File == "":
		r.Missing = removed
	case s.State == house.Pending:
		r.Missing = notExamined
	case s.State == house.Failed:
		r.Missing = notExaminable
	case s.Unlooked() > 0:
		r.Missing = crowded
	}
	for _, f := range s.Faces {
		if e.isOwn(f) {
			r.Faces = append(r.Faces, faceOf(e.speaker(nil), f))
		} else {
			r.OtherFaces++
		}
	}
	return r
}

// isOwn reports whether a face is the person's by an answer or, where there is none,
// was taken for it.
func (e *Export) isOwn(f house.Face) bool { return f.Whose() == e.person.ID }

func faceOf(w words.Words, f house.Face) faceRecord {
	r := faceRecord{
		X: f.Box.Min.X, Y: f.Box.Min.Y, Width: f.Box.Dx(), Height: f.Box.Dy(),
		Landmarks: append([]house.Point{}, f.Landmarks...),
	}
	if m := f.Recognised(); m != nil {
		r.Band, r.Distance, r.FPIR, r.Probability, r.Frames = m.Band, m.Distance, m.FPIR, m.Probability, m.Frames
	}
	if f.Descriptor != (house.Descriptor{}) {
		r.Descriptor = f.Descriptor[:]
	}
	if f.Quality != nil {
		q := qualityRecord(*f.Quality)
		r.Quality = &q
	}
	if f.Liveness != nil {
		r.Liveness = livenessOf(w, *f.Liveness)
	}
	return r
}

func livenessOf(w words.Words, l house.Liveness) *livenessRecord {
	r := &livenessRecord{l.Level, w.Reasons(liveness.Warning(l)), l.Probability, l.Frames,
		append([]string{}, l.CantTell...),
		[]findingRecord{}}
	for _, f := range l.Findings {
		found := findingRecord{f.Sign, w.Sign(f.Sign), f.Score, append([]float64{}, f.Values...),
			w.Reasons(liveness.Reasons(f)), [][2]float64{}, f.Missing}
		for _, p := range f.Region {
			found.Region = append(found.Region, [2]float64{p.X, p.Y})
		}
		r.Findings = append(r.Findings, found)
	}
	return r
}

// errOtherSize says that a picture is not the one its row tells of.
var errOtherSize = errors.New("the picture has another size than its row says")

// blur returns the picture with others' faces unseen, and records which of the
// person's own that goes over as well.
func (e *Export) blur(picture []byte, s house.Still, r *stillRecord) ([]byte, error) {
	size, err := jpeg.DecodeConfig(bytes.NewReader(picture))
	if err != nil {
		return nil, fmt.Errorf("decoding a still: %w", err)
	}
	if size.Width != s.Width || size.Height != s.Height {
		return nil, errOtherSize
	}
	var boxes, own []image.Rectangle
	for _, f := range s.Faces {
		if e.isOwn(f) {
			own = append(own, f.Box)
		} else {
			boxes = append(boxes, f.Box)
		}
	}
	if len(boxes) > 0 && len(own) > 0 {
		hidden, err := redact.Hidden(picture, boxes)
		if err != nil {
			return nil, err
		}
		for i, face := range own {
			for _, h := range hidden {
				r.Faces[i].PartlyBlurred = r.Faces[i].PartlyBlurred || h.Overlaps(face)
			}
		}
	}
	return redact.Blur(picture, boxes)
}

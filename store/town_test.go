package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/match"
	"lintel/store/seal"
)

// A town is what a generated archive is drawn from: three bells, ten years, a
// household of eight with five references each, and whoever else comes by.
type town struct {
	*rand.Rand
	bells    []string
	persons  []string
	began    time.Time
	ends     time.Time
	gallery  *match.Gallery
	common   house.Descriptor // what all faces have in common
	signs    house.Descriptor // 1 or -1
	homes    []house.Descriptor
	regulars []regular
	answers  []answerDue
}

// A regular is a stranger who comes again, as often as is left.
type regular struct {
	middle house.Descriptor
	left   int
}

// An answerDue is a face that a resident answers for.
type answerDue struct {
	face  string
	asked house.Match
}

const (
	// withFiles is how many of the oldest visits, and how many of the newest, have the
	// files of their stills. The rows of all say that theirs are kept.
	withFiles = 10_000
	// withPictures is how many of the newest visits have stills that show something.
	withPictures = 1000
	// regularsAtOnce is how many strangers who come again do so at a time.
	regularsAtOnce = 60
)

// generate fills an archive with visits over ten years, which end now, with all
// stills kept, and with an entry of the audit trail for each. It writes rows as Keep,
// Record and Note leave them, but many in a transaction.
func generate(tb testing.TB, a *Archive, visits int) {
	tb.Helper()
	ctx := tb.Context()
	t := newTown(tb, a)
	for _, fast := range []string{`PRAGMA synchronous = OFF`, `PRAGMA cache_size = -400000`} { // no one's data yet
		if _, err := a.write.ExecContext(ctx, fast); err != nil {
			tb.Fatal(err)
		}
	}
	const atOnce = 20_000
	for first := 0; first < visits; first += atOnce {
		err := a.update(ctx, func(tx *sql.Tx) error {
			w, err := newRowWriter(ctx, a, tx)
			if err != nil {
				return err
			}
			for i := first; i < min(first+atOnce, visits); i++ {
				at := t.began.Add(time.Duration(float64(t.ends.Sub(t.began)) * float64(i) / float64(visits)))
				w.shown = nil
				if i >= visits-withPictures {
					w.shown = w.grey
				} else if i < withFiles || i >= visits-withFiles {
					w.shown = w.tiny
				}
				if err := w.visit(t, i, at); err != nil {
					return err
				}
			}
			_, err = tx.ExecContext(ctx, `UPDATE counters SET value = ? WHERE name = 'revision'`, min(first+atOnce, visits))
			return err
		})
		if err != nil {
			tb.Fatal(err)
		}
	}
	for _, due := range t.answers {
		c := house.Check{Face: due.face, Answer: house.AnswerYes, Asked: due.asked.Person,
			AskedDistance: due.asked.Distance, Person: due.asked.Person, PersonDistance: due.asked.Distance}
		if t.IntN(5) == 0 {
			c.Answer, c.Person, c.PersonDistance = house.AnswerNo, "", 0
		}
		if err := a.Answer(ctx, c); err != nil && !errors.Is(err, house.ErrAnswered) {
			tb.Fatal(err)
		}
	}
	if _, err := a.write.ExecContext(ctx, `PRAGMA synchronous = FULL`); err != nil {
		tb.Fatal(err)
	}
}

func newTown(tb testing.TB, a *Archive) *town {
	tb.Helper()
	ctx := tb.Context()
	t := &town{Rand: rand.New(rand.NewPCG(3, 10)), ends: a.now(), began: a.now().AddDate(-10, 0, 0)}
	for i := range t.common {
		t.common[i], t.signs[i] = float32(t.NormFloat64()/10), float32(2*t.IntN(2)-1)
	}
	for _, bell := range []string{"gate", "garden", "cellar"} {
		if _, err := a.AddBell(ctx, bell); err != nil {
			tb.Fatal(err)
		}
		t.bells = append(t.bells, bell)
	}
	var references []house.Reference
	for _, name := range []string{"Tamsin Quill", "Odo Fenwright", "Perpetua Inkwell", "Morgan Vale", "Ilse Harrow",
		"Jory Penn", "Wren Alder", "Basil Thorne"} {
		p, err := a.AddConsenting(ctx, name, house.Consent{GivenBy: name, GivenAt: a.now(), Scope: "the bells of this house"})
		if err != nil {
			tb.Fatal(err)
		}
		t.persons, t.homes = append(t.persons, p.ID), append(t.homes, t.someone())
		for range 5 {
			r := house.Reference{Person: p.ID, Descriptor: t.seen(t.homes[len(t.homes)-1]), FaceWidth: 140, Quality: 0.8}
			r.SourceSHA256 = sha256.Sum256(encodeDescriptor(r.Descriptor))
			if err := a.AddReference(ctx, r); err != nil {
				tb.Fatal(err)
			}
			references = append(references, r)
		}
	}
	// The last two references came after all visits, so that some would be judged
	// otherwise now.
	t.gallery = match.NewGallery(references[:len(references)-2], match.Shipped(), match.DefaultPrior)
	rules := house.DefaultRules()
	rules.Zone = "Europe/Berlin"
	for _, kind := range house.Kinds {
		rules.Keep[kind] = house.Rule{Stills: house.Period{Days: 3660}, Findings: house.Period{Days: 3660}}
	}
	if err := a.SetRules(ctx, rules); err != nil {
		tb.Fatal(err)
	}
	return t
}

// someone draws what is common to all pictures of one person. Descriptors of two
// persons are 0.85 apart in the middle, one pair in 30,000 within 0.45 and one in 120
// within 0.60, about as package match measured: as sums of squares of independent
// numbers, whose variances fall by a factor of 0.937, are. A Hadamard matrix makes the
// numbers of a descriptor alike, as those of go-face are.
func (t *town) someone() (d house.Descriptor) { return t.drawn(0.367) }

// seen draws a picture of somebody: two of one person are 0.3 apart in the middle.
func (t *town) seen(middle house.Descriptor) (d house.Descriptor) {
	worse := 0.7 + 0.6*t.Float64()
	by := t.drawn(0.045 * worse * worse)
	for i := range d {
		d[i] = t.common[i] + middle[i] + by[i]
	}
	return d
}

// drawn draws numbers whose squares sum up to about a variance.
func (t *town) drawn(variance float64) (d house.Descriptor) {
	const falls = 0.937
	each := variance * (1 - falls) / (1 - math.Pow(falls, float64(len(d))))
	for i := range d {
		d[i] = float32(t.NormFloat64()*math.Sqrt(each)) * t.signs[i]
		each *= falls
	}
	for half := 1; half < len(d); half *= 2 {
		for i := range d {
			if i&half == 0 {
				d[i], d[i+half] = d[i]+d[i+half], d[i]-d[i+half]
			}
		}
	}
	for i := range d {
		d[i] /= float32(math.Sqrt(float64(len(d))))
	}
	return d
}

// stranger draws who else comes: half of them once, and half one of those who come 2 to
// 40 times.
func (t *town) stranger() house.Descriptor {
	if t.IntN(2) == 0 {
		return t.someone()
	}
	for len(t.regulars) < regularsAtOnce {
		t.regulars = append(t.regulars, regular{t.someone(), 2 + t.IntN(39)})
	}
	at := t.IntN(len(t.regulars))
	r := &t.regulars[at]
	middle := r.middle
	if r.left--; r.left == 0 {
		t.regulars[at] = t.regulars[len(t.regulars)-1]
		t.regulars = t.regulars[:len(t.regulars)-1]
	}
	return middle
}

// faces draws what is seen of people on each of some frames, judged by the gallery.
func (t *town) faces(people []house.Descriptor, frames int, picture bool) [][]house.Face {
	all := make([][]house.Face, frames)
	for frame := range all {
		for i, middle := range people {
			x, y := 100+300*i+t.IntN(100), t.IntN(700)
			f := house.Face{Box: image.Rect(x, y, x+140, y+140), Descriptor: t.seen(middle),
				Landmarks: []house.Point{{X: 10, Y: 20}, {X: 30, Y: 20}, {X: 70, Y: 20}, {X: 90, Y: 20}, {X: 50, Y: 60}}}
			if picture && i == 0 {
				f.Liveness = &house.Liveness{Level: house.Doubtful, Probability: 0.6, Frames: frames}
			}
			all[frame] = append(all[frame], f)
		}
	}
	t.gallery.IdentifyRing(all)
	return all
}

// A rowWriter writes the rows of visits.
type rowWriter struct {
	a                                *Archive
	ctx                              context.Context
	tx                               *sql.Tx
	visits, stills, faces, appearing *sql.Stmt
	grey, tiny                       []byte
	shown                            []byte // what the next stills show; nil leaves their files out
}

func newRowWriter(ctx context.Context, a *Archive, tx *sql.Tx) (*rowWriter, error) {
	w := &rowWriter{a: a, ctx: ctx, tx: tx, tiny: make([]byte, 200)}
	var grey bytes.Buffer
	var errs [5]error
	errs[4] = jpeg.Encode(&grey, image.NewGray(image.Rect(0, 0, 1280, 1024)), &jpeg.Options{Quality: 30})
	w.grey = grey.Bytes()
	w.visits, errs[0] = tx.PrepareContext(ctx,
		`INSERT INTO visits (id, bell, ring, received_at, revision, kind, parcel, stage, counted_from, picture, slot)
		VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, 0, ?4, ?8, ?9)`)
	w.stills, errs[1] = tx.PrepareContext(ctx,
		`INSERT INTO stills (id, visit, frame, slot, sent_mac, sha256, size, width, height, damaged,
			received_at, state, attempts, file) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, 1280, 1024, ?8, ?9, ?10, 1, ?1)`)
	w.faces, errs[2] = tx.PrepareContext(ctx,
		`INSERT INTO faces (id, still, sealed, slot, person, distance, fpir, band, probability, frames)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`)
	w.appearing, errs[3] = tx.PrepareContext(ctx,
		`INSERT INTO appearances (person, bell, kind, received_at, visit, picture) VALUES (?, ?, ?, ?, ?, ?)
			ON CONFLICT DO NOTHING`)
	return w, errors.Join(errs[:]...)
}

func (w *rowWriter) visit(t *town, i int, at time.Time) error {
	a, ring := w.a, fmt.Sprintf("ring-%d", i)
	bellName := t.bells[min(t.IntN(6), 2)] // the cellar's rings most
	bell, id := a.bellID(bellName), a.visitID(bellName, ring)
	parcel, state := false, house.Done
	var people []house.Descriptor
	switch n := t.IntN(100); {
	case n < 45:
		people = append(people, t.homes[t.IntN(len(t.homes))])
		if t.IntN(5) == 0 {
			people = append(people, t.stranger())
		}
	case n < 86:
		people, parcel = append(people, t.stranger()), n >= 80
	case n >= 98:
		state = house.Failed
	}
	picture := len(people) > 0 && t.IntN(30) == 0
	frames := t.faces(people, 1+t.IntN(2), picture)
	kind := kindOf(frames, parcel, state)
	sealed, slot, err := a.sealRing(w.ctx, w.tx, ring, id)
	if err != nil {
		return err
	}
	if _, err := w.visits.ExecContext(w.ctx, id, bell, sealed, micros(at), i+1, kind, parcel, picture, slot); err != nil {
		return err
	}
	for frame, faces := range frames {
		if err := w.still(t, id, frame, at, state, faces); err != nil {
			return err
		}
		for _, f := range faces {
			if f.Match == nil {
				continue
			}
			if _, err := w.appearing.ExecContext(w.ctx, f.Match.Person, bell, kind, micros(at), id, picture); err != nil {
				return err
			}
		}
	}
	return a.note(w.ctx, w.tx, "looked", "visit "+id)
}

// kindOf is the kind of a visit that was examined.
func kindOf(frames [][]house.Face, parcel bool, state house.StillState) house.Kind {
	kind := house.NoFace
	switch {
	case parcel:
		return house.Parcel
	case state == house.Failed:
		return house.Damaged
	}
	for _, faces := range frames {
		for _, f := range faces {
			if f.Match != nil {
				return house.Known
			}
			kind = house.Stranger
		}
	}
	return kind
}

func (w *rowWriter) still(t *town, visit string, frame int, at time.Time, state house.StillState,
	faces []house.Face) error {
	a, id, key := w.a, newID(), seal.NewKey()
	sealed, err := key.Seal(w.shown, stillPlace(visit, frame)...)
	if err != nil {
		return err
	}
	slot, err := a.putKey(w.ctx, w.tx, key)
	if err != nil {
		return err
	}
	if w.shown != nil {
		path := a.stillPath(id)
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o700), os.WriteFile(path, sealed, 0o600)); err != nil {
			return err
		}
	}
	hash := sha256.Sum256(sealed)
	if _, err := w.stills.ExecContext(w.ctx, id, visit, frame, slot, a.seals.Index(id), hash[:], len(sealed),
		state == house.Failed, micros(at), state); err != nil {
		return err
	}
	for _, f := range faces {
		if err := w.face(t, id, f); err != nil {
			return err
		}
	}
	return nil
}

func (w *rowWriter) face(t *town, still string, f house.Face) error {
	id := newID()
	raw, err := encodeFace(f)
	if err != nil {
		return err
	}
	sealed, slot, err := w.a.sealKeyed(w.ctx, w.tx, raw, facePlace(id)...)
	if err != nil {
		return err
	}
	var m house.Match
	if f.Match != nil {
		if m = *f.Match; t.IntN(500) == 0 {
			t.answers = append(t.answers, answerDue{id, m})
		}
	}
	there := f.Match != nil
	number := func(v float64) sql.NullFloat64 { return sql.NullFloat64{Float64: v, Valid: there} }
	text := func(v string) sql.NullString { return sql.NullString{String: v, Valid: there} }
	_, err = w.faces.ExecContext(w.ctx, id, still, sealed, slot, text(m.Person), number(m.Distance), number(m.FPIR),
		text(m.Band), number(m.Probability), sql.NullInt64{Int64: int64(m.Frames), Valid: there})
	return err
}

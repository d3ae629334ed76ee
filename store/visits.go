package store

import (
	"context"
	"database/sql"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"math"
	"slices"
	"time"
)

// A Visit is what the archive keeps of a ring.
type Visit struct {
	ID         string
	Bell       string
	Ring       string
	ReceivedAt time.Time // of its first still, by the server's clock
	Revision   int64
	Stills     []Still // by frame
}

// Pending reports whether a still of the visit waits to be examined.
func (v Visit) Pending() bool {
	for _, s := range v.Stills {
		if s.State == Pending {
			return true
		}
	}
	return false
}

// ClockSkew returns how far the bell's clock is ahead of the server's, by the
// still that differs most; 0 where the bell never said its time.
func (v Visit) ClockSkew() time.Duration {
	var most time.Duration
	for _, s := range v.Stills {
		if d := s.TakenAt.Sub(s.ReceivedAt); !s.TakenAt.IsZero() && d.Abs() > most.Abs() {
			most = d
		}
	}
	return most
}

// A Descriptor is 128 numbers that describe a face; the distance between two
// is small when they are of one person.
type Descriptor [128]float32

// A Face is a face found on a still, and who it probably is.
type Face struct {
	Box        image.Rectangle // pixels of the still
	Landmarks  []Point         // two corners of each eye and the base of the nose
	Descriptor Descriptor
	Match      *Match // nil for a stranger
}

// A Point is a place on a still, in pixels from its left upper corner.
type Point struct {
	X float64 `json:"x"`
	Y float64 `json:"y"`
}

// Round returns the nearest whole pixel.
func (p Point) Round() image.Point {
	return image.Pt(int(math.Round(p.X)), int(math.Round(p.Y)))
}

// Width returns the face's width in pixels of the still.
func (f Face) Width() int { return f.Box.Dx() }

// A Match says whose face it probably is, and how sure that is.
type Match struct {
	Person   string  // id
	Name     string  // filled in when read, never stored here
	Distance float64 // to the person's nearest reference
	FPIR     float64 // at the gallery's size when it was judged
	Band     string  // strong, fair or weak
}

// LatestVisits returns the newest visits, newest first.
func (a *Archive) LatestVisits(ctx context.Context, limit int) ([]Visit, error) {
	return a.visits(ctx, `ORDER BY v.received_at DESC, v.id LIMIT ?`, limit)
}

// VisitsSince returns visits that changed after the revision, in the order of
// their changes, limit at most.
func (a *Archive) VisitsSince(ctx context.Context, revision int64, limit int) ([]Visit, error) {
	return a.visits(ctx, `WHERE v.revision > ? ORDER BY v.revision LIMIT ?`, revision, limit)
}

// Visit returns the visit of that id, or ErrNotFound.
func (a *Archive) Visit(ctx context.Context, id string) (Visit, error) {
	vs, err := a.visits(ctx, `WHERE v.id = ?`, id)
	if err != nil {
		return Visit{}, err
	}
	if len(vs) == 0 {
		return Visit{}, fmt.Errorf("visit %s: %w", id, ErrNotFound)
	}
	return vs[0], nil
}

// Revision returns the number of the latest change of any visit.
func (a *Archive) Revision(ctx context.Context) (n int64, err error) {
	err = a.read.QueryRowContext(ctx, `SELECT value FROM counters WHERE name = 'revision'`).Scan(&n)
	if err != nil {
		return 0, fmt.Errorf("reading the revision: %w", err)
	}
	return n, nil
}

// visits reads the visits that the clause picks, with their stills and faces,
// all from one state of the database.
func (a *Archive) visits(ctx context.Context, clause string, args ...any) ([]Visit, error) {
	tx, err := a.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, fmt.Errorf("reading visits: %w", err)
	}
	defer tx.Rollback()
	rows, err := tx.QueryContext(ctx, `
		SELECT v.id, v.bell, b.name, v.ring, v.received_at, v.revision FROM visits v JOIN bells b ON b.id = v.bell `+clause, args...)
	if err != nil {
		return nil, fmt.Errorf("reading visits: %w", err)
	}
	all, err := collect(rows, func(v *Visit) error {
		var at sql.NullInt64
		var bell string
		var name, ring []byte
		if err := rows.Scan(&v.ID, &bell, &name, &ring, &at, &v.Revision); err != nil {
			return err
		}
		v.ReceivedAt = timeOf(at)
		return errors.Join(
			a.unseal(&v.Bell, name, "bells.name", bell),
			a.unseal(&v.Ring, ring, "visits.ring", v.ID))
	})
	if err != nil {
		return nil, fmt.Errorf("reading visits: %w", err)
	}
	for i := range all {
		if all[i].Stills, err = a.stillsOf(ctx, tx, all[i].ID); err != nil {
			return nil, fmt.Errorf("reading visit %s: %w", all[i].ID, err)
		}
	}
	return all, nil
}

const stillColumns = `id, visit, frame, width, height, damaged, received_at, taken_at, state, attempts, sent_mac, sha256, size`

// scanStill reads the stillColumns of a row.
func scanStill(row interface{ Scan(...any) error }, s *Still) error {
	var received, taken sql.NullInt64
	var hash []byte
	err := row.Scan(&s.ID, &s.Visit, &s.Frame, &s.Width, &s.Height, &s.Damaged, &received, &taken, &s.State, &s.Attempts, &s.sentMAC, &hash, &s.Size)
	s.ReceivedAt, s.TakenAt = timeOf(received), timeOf(taken)
	copy(s.SHA256[:], hash)
	return err
}

func (a *Archive) stillsOf(ctx context.Context, q querier, visit string) ([]Still, error) {
	rows, err := q.QueryContext(ctx, `SELECT `+stillColumns+` FROM stills WHERE visit = ? ORDER BY frame`, visit)
	if err != nil {
		return nil, err
	}
	stills, err := collect(rows, func(s *Still) error { return scanStill(rows, s) })
	if err != nil {
		return nil, err
	}
	for i := range stills {
		if stills[i].Faces, err = a.facesOn(ctx, q, stills[i].ID); err != nil {
			return nil, err
		}
	}
	return stills, nil
}

// A sealedFace is what of a face is sealed.
type sealedFace struct {
	Box        image.Rectangle
	Landmarks  []Point
	Descriptor []byte
}

// facesOn returns the faces of a still, from left to right.
func (a *Archive) facesOn(ctx context.Context, q querier, still string) ([]Face, error) {
	rows, err := q.QueryContext(ctx, `
		SELECT f.id, f.sealed, f.person, p.name, f.distance, f.fpir, f.band
		FROM faces f LEFT JOIN persons p ON p.id = f.person
		WHERE f.still = ? ORDER BY f.id`, still)
	if err != nil {
		return nil, err
	}
	faces, err := collect(rows, func(f *Face) error {
		var id string
		var sealed, name []byte
		var person, band sql.NullString
		var distance, fpir sql.NullFloat64
		if err := rows.Scan(&id, &sealed, &person, &name, &distance, &fpir, &band); err != nil {
			return err
		}
		if person.Valid {
			f.Match = &Match{Person: person.String, Distance: distance.Float64, FPIR: fpir.Float64, Band: band.String}
			if err := a.unseal(&f.Match.Name, name, "persons.name", person.String); err != nil {
				return err
			}
		}
		return a.openFace(f, sealed, id)
	})
	slices.SortStableFunc(faces, func(a, b Face) int { return a.Box.Min.X - b.Box.Min.X })
	return faces, err
}

func (a *Archive) openFace(f *Face, sealed []byte, id string) error {
	raw, err := a.seals.OpenValue(sealed, "faces.sealed", id)
	if err != nil {
		return fmt.Errorf("opening face %s: %w", id, err)
	}
	var open sealedFace
	if err := json.Unmarshal(raw, &open); err != nil {
		return fmt.Errorf("reading face %s: %w", id, err)
	}
	f.Box, f.Landmarks = open.Box, open.Landmarks
	f.Descriptor, err = decodeDescriptor(open.Descriptor)
	return err
}

// PendingStills returns stills that wait to be examined, oldest first.
func (a *Archive) PendingStills(ctx context.Context, limit int) ([]Still, error) {
	rows, err := a.read.QueryContext(ctx, `SELECT `+stillColumns+` FROM stills WHERE state = 'pending' ORDER BY received_at LIMIT ?`, limit)
	if err != nil {
		return nil, fmt.Errorf("reading pending stills: %w", err)
	}
	stills, err := collect(rows, func(s *Still) error { return scanStill(rows, s) })
	if err != nil {
		return nil, fmt.Errorf("reading pending stills: %w", err)
	}
	return stills, nil
}

// BeginExamination counts an attempt, durably, before it is made: a still that
// takes the process down is known by its attempts at the next start.
func (a *Archive) BeginExamination(ctx context.Context, still string) error {
	_, err := a.write.ExecContext(ctx, `UPDATE stills SET attempts = attempts + 1 WHERE id = ?`, still)
	if err != nil {
		return fmt.Errorf("beginning an examination: %w", err)
	}
	return nil
}

// Record keeps what an examination found, in place of anything found before,
// and moves the still to the state Done or Failed. A still that was erased
// meanwhile is left alone. A person erased meanwhile makes a stranger.
func (a *Archive) Record(ctx context.Context, still string, state StillState, faces []Face) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		revision, err := nextRevision(ctx, tx)
		if err != nil {
			return err
		}
		var visit string
		err = tx.QueryRowContext(ctx, `UPDATE stills SET state = ? WHERE id = ? RETURNING visit`, state, still).Scan(&visit)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `UPDATE visits SET revision = ? WHERE id = ?`, revision, visit); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM faces WHERE still = ?`, still); err != nil {
			return err
		}
		for _, f := range faces {
			if err := a.insertFace(ctx, tx, still, f); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("recording findings: %w", spaceError(err))
	}
	a.signal()
	return nil
}

func (a *Archive) insertFace(ctx context.Context, tx *sql.Tx, still string, f Face) error {
	raw, err := json.Marshal(sealedFace{f.Box, f.Landmarks, encodeDescriptor(f.Descriptor)})
	if err != nil {
		return err
	}
	var m Match
	if f.Match != nil {
		m = *f.Match
	}
	id := newID()
	_, err = tx.ExecContext(ctx, `
		INSERT INTO faces (id, still, sealed, person, distance, fpir, band)
		SELECT ?, ?, ?, p.id, iif(p.id IS NULL, NULL, ?), iif(p.id IS NULL, NULL, ?), iif(p.id IS NULL, NULL, ?)
		FROM (SELECT 1) LEFT JOIN persons p ON p.id = ?`,
		id, still, a.seals.Value(raw, "faces.sealed", id), m.Distance, m.FPIR, m.Band, m.Person)
	return err
}

// touchVisits gives every visit that the clause picks a new revision.
func touchVisits(ctx context.Context, tx *sql.Tx, clause string, args ...any) error {
	rows, err := tx.QueryContext(ctx, `SELECT id FROM visits `+clause, args...)
	if err != nil {
		return err
	}
	ids, err := collect(rows, func(id *string) error { return rows.Scan(id) })
	if err != nil {
		return err
	}
	for _, id := range ids {
		revision, err := nextRevision(ctx, tx)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `UPDATE visits SET revision = ? WHERE id = ?`, revision, id); err != nil {
			return err
		}
	}
	return nil
}

func encodeDescriptor(d Descriptor) []byte {
	b := make([]byte, 0, 4*len(d))
	for _, v := range d {
		b = binary.LittleEndian.AppendUint32(b, math.Float32bits(v))
	}
	return b
}

func decodeDescriptor(b []byte) (d Descriptor, err error) {
	if len(b) != 4*len(d) {
		return d, fmt.Errorf("a descriptor of %d bytes, not %d", len(b), 4*len(d))
	}
	for i := range d {
		d[i] = math.Float32frombits(binary.LittleEndian.Uint32(b[4*i:]))
	}
	return d, nil
}

package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/store/seal"
)

// LatestVisits returns the newest visits, newest first.
func (a *Archive) LatestVisits(ctx context.Context, limit int) ([]house.Visit, error) {
	return a.visits(ctx, `ORDER BY v.received_at DESC, v.id DESC LIMIT ?`, limit)
}

// VisitsBetween returns the visits that were received after one time and at or
// before another, the newest first, limit at most.
func (a *Archive) VisitsBetween(ctx context.Context, after, until time.Time, limit int) ([]house.Visit, error) {
	return a.visits(ctx, `WHERE v.received_at > ? AND v.received_at <= ? ORDER BY v.received_at DESC, v.id DESC LIMIT ?`,
		micros(after), micros(until), limit)
}

// Newest returns when the newest visit was received by a clock that nobody doubts; the
// zero time without one. It is later than now where the server's clock was set back
// since.
func (a *Archive) Newest(ctx context.Context) (time.Time, error) {
	var at sql.NullInt64
	err := a.read.QueryRowContext(ctx, `SELECT (SELECT received_at FROM visits WHERE doubt IS NULL
		ORDER BY received_at DESC LIMIT 1)`).Scan(&at)
	if err != nil {
		return time.Time{}, fmt.Errorf("looking for the newest visit: %w", damage(err))
	}
	return timeOf(at), nil
}

// VisitsSince returns visits that changed after the revision, in the order of
// their changes, limit at most.
func (a *Archive) VisitsSince(ctx context.Context, revision int64, limit int) ([]house.Visit, error) {
	return a.visits(ctx, `WHERE v.revision > ? ORDER BY v.revision LIMIT ?`, revision, limit)
}

// TombstonesSince returns visits that went after the revision, in that order,
// limit at most. They are remembered for 30 days.
func (a *Archive) TombstonesSince(ctx context.Context, revision int64, limit int) ([]house.Tombstone, error) {
	rows, err := a.read.QueryContext(ctx,
		`SELECT visit, revision FROM departures WHERE revision > ? ORDER BY revision LIMIT ?`, revision, limit)
	gone, err := scanAll(rows, err, func(d *house.Tombstone) error { return rows.Scan(&d.Visit, &d.Revision) })
	if err != nil {
		return nil, fmt.Errorf("reading departures: %w", err)
	}
	return gone, nil
}

// Visit returns the visit of that id, or ErrNotFound.
func (a *Archive) Visit(ctx context.Context, id string) (house.Visit, error) {
	vs, err := a.visits(ctx, `WHERE v.id = ?`, id)
	if err != nil {
		return house.Visit{}, err
	}
	if len(vs) == 0 {
		return house.Visit{}, fmt.Errorf("visit %s: %w", id, house.ErrNotFound)
	}
	return vs[0], nil
}

// SetParcel says whether the visit brought a parcel, which only the household
// can tell. The error is ErrNotFound.
func (a *Archive) SetParcel(ctx context.Context, visit string, parcel bool) error {
	err := a.changeVisit(ctx, visit, "changed", func(tx *sql.Tx) (sql.Result, error) {
		return tx.ExecContext(ctx, `UPDATE visits SET parcel = ? WHERE id = ?`, parcel, visit)
	})
	if err != nil {
		return fmt.Errorf("saying that a parcel came: %w", err)
	}
	return nil
}

// changeVisit runs what changes a visit, settles it and adds that
// to the audit trail. The error is ErrNotFound if the statement touched no row.
func (a *Archive) changeVisit(ctx context.Context, visit, action string,
	change func(*sql.Tx) (sql.Result, error)) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		res, err := change(tx)
		if err != nil {
			return err
		}
		if err := oneRow(res, "visit "+visit); err != nil {
			return err
		}
		if err := a.settle(ctx, tx, visit); err != nil {
			return err
		}
		return a.note(ctx, tx, action, "visit "+visit)
	})
	if err != nil {
		return spaceError(err)
	}
	a.signal()
	return nil
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
func (a *Archive) visits(ctx context.Context, clause string, args ...any) ([]house.Visit, error) {
	tx, err := a.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, fmt.Errorf("reading visits: %w", err)
	}
	defer tx.Rollback()
	all, err := a.visitsIn(ctx, tx, clause, args...)
	if err != nil {
		return nil, fmt.Errorf("reading visits: %w", damage(err))
	}
	return all, nil
}

func (a *Archive) visitsIn(ctx context.Context, q querier, clause string, args ...any) ([]house.Visit, error) {
	rows, err := q.QueryContext(ctx, `
		SELECT v.id, v.bell, b.name, v.ring, v.received_at, v.revision, v.kind, v.parcel, v.stage, v.counted_from,
			v.imported_at, v.doubt IS NOT NULL, h.reason, h.placed_at, h.ends_at
		FROM visits v JOIN main.bells b ON b.id = v.bell LEFT JOIN holds h ON h.visit = v.id `+clause, args...)
	all, err := scanAll(rows, err, func(v *house.Visit) error { return a.scanVisit(rows, v) })
	if err != nil || len(all) == 0 {
		return nil, err
	}
	place := make(map[string]*house.Visit, len(all)) // by id
	ids := make([]string, len(all))
	for i := range all {
		ids[i] = all[i].ID
		place[ids[i]] = &all[i]
	}
	stills, err := a.stillsOf(ctx, q, ids...)
	if err != nil {
		return nil, err
	}
	for _, s := range stills {
		v := place[s.Visit]
		v.Stills = append(v.Stills, s)
	}
	messages, err := a.messagesOf(ctx, q, ids...)
	for _, m := range messages {
		v := place[m.Visit]
		v.Messages = append(v.Messages, m)
	}
	return all, err
}

func (a *Archive) scanVisit(rows *sql.Rows, v *house.Visit) error {
	var at, counted, imported, placed, ends sql.NullInt64
	var bell string
	var name, ring, reason []byte
	err := rows.Scan(&v.ID, &bell, &name, &ring, &at, &v.Revision, &v.Kind, &v.Parcel, &v.Stage, &counted, &imported,
		&v.ClockDoubted, &reason, &placed, &ends)
	if err != nil {
		return err
	}
	v.ReceivedAt, v.CountedFrom, v.ImportedAt = timeOf(at), timeOf(counted), timeOf(imported)
	if placed.Valid {
		v.Hold = &house.Hold{Visit: v.ID, PlacedAt: timeOf(placed), EndsAt: timeOf(ends)}
		err = a.unseal(&v.Hold.Reason, reason, "holds.reason", v.ID)
	}
	return errors.Join(err,
		a.bellAddress(&v.Bell, name, bell),
		a.unseal(&v.Ring, ring, "visits.ring", v.ID))
}

const stillColumns = `id, visit, frame, width, height, damaged, received_at, taken_at, state, attempts, sha256, size,
	coalesce(file, ''), lost, masked`

// scanStill reads the stillColumns of a row, and more that follow them.
func scanStill(row interface{ Scan(...any) error }, s *house.Still, more ...any) error {
	var received, taken sql.NullInt64
	var hash []byte
	err := row.Scan(append([]any{&s.ID, &s.Visit, &s.Frame, &s.Width, &s.Height, &s.Damaged, &received, &taken, &s.State,
		&s.Attempts, &hash, &s.Size, &s.File, &s.Lost, &s.Masked}, more...)...)
	s.ReceivedAt, s.TakenAt = timeOf(received), timeOf(taken)
	copy(s.SHA256[:], hash)
	return err
}

// stillsOf returns the stills of visits, each visit's by frame.
func (a *Archive) stillsOf(ctx context.Context, q querier, visits ...string) ([]house.Still, error) {
	rows, err := q.QueryContext(ctx, `SELECT `+stillColumns+` FROM stills WHERE visit IN (SELECT value FROM json_each(?))
		ORDER BY visit, frame`, jsonList(visits))
	stills, err := scanAll(rows, err, func(s *house.Still) error { return scanStill(rows, s) })
	if err != nil || len(stills) == 0 {
		return nil, err
	}
	place := make(map[string]*house.Still, len(stills)) // by id
	ids := make([]string, len(stills))
	for i := range stills {
		ids[i] = stills[i].ID
		place[ids[i]] = &stills[i]
	}
	faces, err := a.facesOn(ctx, q, ids)
	if err != nil {
		return nil, err
	}
	for _, f := range faces {
		s := place[f.Still]
		s.Faces = append(s.Faces, f)
	}
	return stills, nil
}

// jsonList writes ids for json_each, so that one statement fits any number.
func jsonList(ids []string) string {
	b, _ := json.Marshal(ids) // strings always can be
	return string(b)
}

// A sealedFace is what of a face is sealed.
type sealedFace struct {
	Box        image.Rectangle
	Landmarks  []house.Point
	Descriptor []byte
	Quality    *house.Quality  `json:",omitempty"`
	Liveness   *house.Liveness `json:",omitempty"`
	Look       house.ImageHash `json:",omitempty"`
	Unlooked   int             `json:",omitempty"`
}

// withSaid joins the answer c that was given for a face f, if any. One that nobody
// vouches for is none, whichever connection asks.
var withSaid = `LEFT JOIN main.checks c ON c.face = f.id AND ` + vouchedFor("checks", "c.")

// whose is whose a face is, once withSaid was joined; NULL for a stranger's.
const whose = `iif(c.face IS NULL, f.person, c.person)`

// facesOn returns the faces on stills, each still's from left to right.
func (a *Archive) facesOn(ctx context.Context, q querier, stills []string) ([]house.Face, error) {
	rows, err := q.QueryContext(ctx, `
		SELECT f.id, f.still, f.sealed, f.person, p.name, f.distance, f.fpir, f.band,
			coalesce(f.probability, 0), coalesce(f.frames, 0),
			c.answer, coalesce(c.person, ''), w.name, coalesce(c.by, ''), r.name, t.name, c.at
		FROM faces f LEFT JOIN main.persons p ON p.id = f.person `+withSaid+`
		LEFT JOIN main.persons w ON w.id = c.person
		LEFT JOIN main.residents r ON c.by = 'resident ' || r.id LEFT JOIN main.tablets t ON c.by = 'tablet ' || t.id
		WHERE f.still IN (SELECT value FROM json_each(?)) ORDER BY f.id`, jsonList(stills))
	faces, err := scanAll(rows, err, func(f *house.Face) error { return a.scanFace(rows, f) })
	slices.SortStableFunc(faces, func(a, b house.Face) int { return a.Box.Min.X - b.Box.Min.X })
	return faces, err
}

func (a *Archive) scanFace(rows *sql.Rows, f *house.Face) error {
	var sealed, name, saidName, resident, tablet []byte
	var person, band, answer sql.NullString
	var distance, fpir sql.NullFloat64
	var at sql.NullInt64
	var m house.Match
	var said house.Said
	err := rows.Scan(&f.ID, &f.Still, &sealed, &person, &name, &distance, &fpir, &band, &m.Probability, &m.Frames,
		&answer, &said.Person, &saidName, &said.By, &resident, &tablet, &at)
	if err != nil {
		return err
	}
	if person.Valid {
		m.Person, m.Distance, m.FPIR, m.Band = person.String, distance.Float64, fpir.Float64, band.String
		f.Match = &m
		err = a.unseal(&m.Name, name, "persons.name", m.Person)
	}
	if answer.Valid {
		said.Answer, said.At = house.Answer(answer.String), timeOf(at)
		f.Said = &said
		err = errors.Join(err, a.nameSaid(&said, saidName, resident, tablet))
	}
	return errors.Join(err, a.openFace(f, sealed, f.ID))
}

// nameSaid fills in who said what of whom.
func (a *Archive) nameSaid(said *house.Said, person, resident, tablet []byte) (err error) {
	_, by, _ := strings.Cut(said.By, " ")
	if person != nil {
		err = a.unseal(&said.Name, person, "persons.name", said.Person)
	}
	if resident != nil {
		err = errors.Join(err, a.unseal(&said.ByName, resident, "residents.name", by))
	}
	if tablet != nil {
		err = errors.Join(err, a.unseal(&said.ByName, tablet, "tablets.name", by))
	}
	return err
}

func (a *Archive) openFace(f *house.Face, sealed []byte, id string) error {
	raw, err := a.open(sealed, facePlace(id)...)
	if errors.Is(err, seal.ErrOpen) {
		return nil // nothing is known of it any more
	}
	if err != nil {
		return fmt.Errorf("opening face %s: %w", id, err)
	}
	var open sealedFace
	if err := json.Unmarshal(raw, &open); err != nil {
		return fmt.Errorf("reading face %s: %w", id, err)
	}
	f.Box, f.Landmarks, f.Quality, f.Liveness, f.ImageHash, f.Unlooked = open.Box, open.Landmarks, open.Quality,
		open.Liveness, open.Look, open.Unlooked
	if len(open.Descriptor) == 0 {
		return nil // it went with the still
	}
	f.Descriptor, err = decodeDescriptor(open.Descriptor)
	return err
}

// Record keeps what an examination found, in place of anything found before,
// and moves the still to the state Done or Failed. A still that was erased
// meanwhile is left alone; of one that a rule let go only that is kept which
// may outlive it. A person erased meanwhile, or whose consent was withdrawn,
// makes a stranger.
func (a *Archive) Record(ctx context.Context, still string, state house.StillState, faces []house.Face) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		var visit string
		var gone bool
		err := tx.QueryRowContext(ctx, `UPDATE stills SET state = ?1, given_up = iif(?1 = 'failed', ?3, NULL) WHERE id = ?2
			RETURNING visit, file IS NULL`, state, still, a.version).Scan(&visit, &gone)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM faces WHERE still = ?`, still); err != nil {
			return err
		}
		seen, err := a.seenFaces(ctx, tx, still, faces)
		if err != nil {
			return err
		}
		for _, f := range seen {
			if gone {
				f = outliving(f)
			}
			if err := a.insertFace(ctx, tx, still, f); err != nil {
				return err
			}
		}
		if err := a.noteForTrial(ctx, tx, visit); err != nil {
			return err
		}
		return a.settle(ctx, tx, visit)
	})
	if err != nil {
		return fmt.Errorf("recording findings: %w", spaceError(err))
	}
	a.signal()
	return nil
}

// seenFaces returns the faces that no mask of the bell's covers: the still may
// have been masked while it was examined.
func (a *Archive) seenFaces(ctx context.Context, tx *sql.Tx, still string, faces []house.Face) ([]house.Face, error) {
	var s house.Still
	var bell string
	err := tx.QueryRowContext(ctx,
		`SELECT s.width, s.height, s.masked, v.bell FROM stills s JOIN visits v ON v.id = s.visit WHERE s.id = ?`, still).
		Scan(&s.Width, &s.Height, &s.Masked, &bell)
	if err != nil || s.Masked == 0 {
		return faces, err
	}
	masks, _, err := a.masksIn(ctx, tx, bell)
	return unmasked(s, faces, masks), err
}

// visitKind is the kind of a visit, from its rows. What is known of it for good
// does not wait for another frame: else one that comes late would let it go by
// the rule for strangers. What a resident said counts before what was found.
var visitKind = `CASE
	WHEN parcel THEN 'parcel'
	WHEN EXISTS (SELECT 1 FROM stills s JOIN faces f ON f.still = s.id ` + withSaid + `
		WHERE s.visit = visits.id AND ` + whose + ` IS NOT NULL) THEN 'person'
	WHEN EXISTS (SELECT 1 FROM stills s WHERE s.visit = visits.id AND s.state = 'pending') THEN 'looking'
	WHEN EXISTS (SELECT 1 FROM stills s JOIN faces f ON f.still = s.id ` + withSaid + `
		WHERE s.visit = visits.id AND coalesce(c.answer, '') <> 'not-a-face') THEN 'stranger'
	WHEN EXISTS (SELECT 1 FROM stills s WHERE s.visit = visits.id AND (s.damaged OR s.state = 'failed')) THEN 'damaged'
	ELSE 'no-face' END`

// visitPicture is whether a visit bears a sign of a picture, from its rows.
var visitPicture = `EXISTS (SELECT 1 FROM stills s JOIN faces f ON f.still = s.id ` + withSaid + `
	WHERE s.visit = visits.id AND coalesce(c.answer, '') <> 'not-a-face' AND warns(f.id, f.sealed))`

// settle makes what follows from a visit's rows follow from them again, and
// gives the visit a new revision. It ends every change of a visit.
func (a *Archive) settle(ctx context.Context, tx *sql.Tx, visit string) error {
	revision, err := nextRevision(ctx, tx)
	if err != nil {
		return err
	}
	for _, statement := range []string{
		`UPDATE visits SET revision = ?2, kind = ` + visitKind + `, picture = ` + visitPicture + ` WHERE id = ?1`,
		`DELETE FROM appearances WHERE visit = ?1`,
		`INSERT INTO appearances (person, bell, kind, received_at, visit, picture)
			SELECT DISTINCT ` + whose + `, v.bell, v.kind, v.received_at, v.id, v.picture
			FROM visits v JOIN stills s ON s.visit = v.id JOIN faces f ON f.still = s.id ` + withSaid + `
			WHERE v.id = ?1 AND ` + whose + ` IS NOT NULL`,
	} {
		if _, err := tx.ExecContext(ctx, statement, visit, revision); err != nil {
			return fmt.Errorf("settling visit %s: %w", visit, err)
		}
	}
	return nil
}

func (a *Archive) insertFace(ctx context.Context, tx *sql.Tx, still string, f house.Face) error {
	id := newID()
	raw, err := encodeFace(f)
	if err != nil {
		return err
	}
	sealed, slot, err := a.sealKeyed(ctx, tx, raw, facePlace(id)...)
	if err != nil {
		return err
	}
	var m house.Match
	if f.Match != nil {
		m = *f.Match
	}
	_, err = tx.ExecContext(ctx, `
		INSERT INTO faces (id, still, sealed, slot, person, distance, fpir, band, probability, frames)
		SELECT ?, ?, ?, ?, p.id, iif(p.id IS NULL, NULL, ?), iif(p.id IS NULL, NULL, ?), iif(p.id IS NULL, NULL, ?),
			iif(p.id IS NULL, NULL, nullif(?, 0)), iif(p.id IS NULL, NULL, nullif(?, 0))
		FROM (SELECT 1) LEFT JOIN persons p ON p.id = ? AND p.id NOT IN (SELECT person
			FROM erasing) AND p.id NOT IN (`+withdrawn+`)`,
		id, still, sealed, slot, m.Distance, m.FPIR, m.Band, m.Probability, m.Frames, m.Person)
	if err != nil {
		return err
	}
	return a.insertImageHash(ctx, tx, id, f.ImageHash)
}

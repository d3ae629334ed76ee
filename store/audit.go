package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
	"time"

	"lintel/internal/house"
)

// ErrTampered says that the audit trail is not as it was written. Such an error
// is a [TamperedError].
var ErrTampered = errors.New("the audit trail has been changed")

// A TamperedError says how the audit trail was changed, and where.
type TamperedError struct {
	How         string // head-missing, head-broken, entry-missing, entry-changed, end-missing or end-changed
	Entry, Last int64  // the first entry that is missing or was changed, and the last of those missing at the end
}

func (e TamperedError) Error() string {
	how := map[string]string{"head-missing": "its head is missing", "head-broken": "its head can't be opened",
		"entry-missing": "entry %d is missing", "entry-changed": "entry %d is not as it was written",
		"end-missing": "entries %d to %d are missing at its end",
		"end-changed": "its last entry is not the one that was written last",
	}[e.How]
	values := []any{e.Entry, e.Last}[:strings.Count(how, "%d")]
	return ErrTampered.Error() + ": " + fmt.Sprintf(how, values...)
}

// Is makes it an [ErrTampered].
func (TamperedError) Is(target error) bool { return target == ErrTampered }

// Note adds an entry to the audit trail for something that changed nothing in
// the archive: that somebody looked at a visit, or took an export.
func (a *Archive) Note(ctx context.Context, action, subject string) error {
	err := a.update(ctx, func(tx *sql.Tx) error { return a.note(ctx, tx, action, subject) })
	if err != nil {
		return fmt.Errorf("adding to the audit trail: %w", spaceError(err))
	}
	return nil
}

// trailSince is the schema that brought the audit trail. Its head is there from
// then on, so that a trail which was removed whole is missed.
const trailSince = 2

// note adds an entry in the transaction of what it tells of, so that neither
// is there without the other. Where the head is lost, or is as it once was, nothing
// can tell which entry was the last: the trail goes on all the same, after a number
// that is left out and so shows for ever.
func (a *Archive) note(ctx context.Context, tx *sql.Tx, action, subject string) error {
	clean := strings.NewReplacer("\t", " ", "\n", " ")
	e := house.Entry{At: a.now().UTC().Truncate(time.Microsecond), Actor: clean.Replace(house.Actor(ctx)), Action: action,
		Subject: clean.Replace(subject)}
	var err error
	e.Seq, e.Before, err = a.auditHead(ctx, tx)
	if err != nil && !errors.Is(err, ErrTampered) {
		return err
	}
	var last int64
	if e := tx.QueryRowContext(ctx, `SELECT coalesce(max(seq), 0) FROM audit`).Scan(&last); e != nil {
		return fmt.Errorf("adding to the audit trail: %w", e)
	}
	if err != nil || last > e.Seq {
		e.Seq = last + 1
	}
	e.Seq++
	e.Hash = sha256.Sum256([]byte(e.Text()))
	_, err = tx.ExecContext(ctx,
		`INSERT INTO audit (seq, at, actor, action, subject, before, hash) VALUES (?, ?, ?, ?, ?, ?, ?)`,
		e.Seq, micros(e.At), e.Actor, e.Action, e.Subject, e.Before[:], e.Hash[:])
	if err != nil {
		return fmt.Errorf("adding to the audit trail: %w", err)
	}
	return a.setAuditHead(ctx, tx, e.Seq, e.Hash)
}

func (a *Archive) setAuditHead(ctx context.Context, tx *sql.Tx, seq int64, hash [32]byte) error {
	head := a.seals.Value(append(binary.BigEndian.AppendUint64(nil, uint64(seq)), hash[:]...), "audit_head.head")
	_, err := tx.ExecContext(ctx,
		`INSERT INTO audit_head (id, head) VALUES (1, ?) ON CONFLICT (id) DO UPDATE SET head = excluded.head`, head)
	if err != nil {
		return fmt.Errorf("adding to the audit trail: %w", err)
	}
	return nil
}

// auditHead returns the number and hash of the last entry, zeros without any.
// The error is ErrTampered if it is lost.
func (a *Archive) auditHead(ctx context.Context, q querier) (seq int64, hash [32]byte, err error) {
	var sealed []byte
	err = q.QueryRowContext(ctx, `SELECT head FROM audit_head`).Scan(&sealed)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, hash, TamperedError{How: "head-missing"}
	}
	if err != nil {
		return 0, hash, fmt.Errorf("reading the audit trail's head: %w", err)
	}
	head, err := a.seals.OpenValue(sealed, "audit_head.head")
	if err != nil || len(head) != 8+len(hash) {
		return 0, hash, TamperedError{How: "head-broken"}
	}
	return int64(binary.BigEndian.Uint64(head)), [32]byte(head[8:]), nil
}

// Trail returns entries of the audit trail, newest first, limit at most; those
// before the entry of that number, or the newest for 0.
func (a *Archive) Trail(ctx context.Context, before int64, limit int) ([]house.Entry, error) {
	entries, err := a.entries(ctx, a.read, `WHERE seq < ? OR ? = 0 ORDER BY seq DESC LIMIT ?`, before, before, limit)
	if err != nil {
		return nil, fmt.Errorf("reading the audit trail: %w", err)
	}
	return entries, nil
}

// LastChange returns the last entry that says of a subject that it was changed. The
// error is house.ErrNotFound if there is none.
func (a *Archive) LastChange(ctx context.Context, subject string) (house.Entry, error) {
	entries, err := a.entries(ctx, a.read, `WHERE action = 'changed' AND subject = ? ORDER BY seq DESC LIMIT 1`, subject)
	if err != nil {
		return house.Entry{}, fmt.Errorf("reading who changed the %s: %w", subject, err)
	}
	if len(entries) == 0 {
		return house.Entry{}, fmt.Errorf("a change of %s: %w", subject, house.ErrNotFound)
	}
	return entries[0], nil
}

func (a *Archive) entries(ctx context.Context, q querier, clause string, args ...any) ([]house.Entry, error) {
	rows, err := q.QueryContext(ctx, `SELECT seq, at, actor, action, subject, before, hash FROM audit `+clause, args...)
	return scanAll(rows, err, func(e *house.Entry) error { return scanEntry(rows, e) })
}

func scanEntry(rows *sql.Rows, e *house.Entry) error {
	var at sql.NullInt64
	var before, hash []byte
	if err := rows.Scan(&e.Seq, &at, &e.Actor, &e.Action, &e.Subject, &before, &hash); err != nil {
		return err
	}
	e.At = timeOf(at)
	e.Before, e.Hash = hashIn(before), hashIn(hash)
	return nil
}

// hashIn returns a column's hash; of another length, it is one of nothing.
func hashIn(b []byte) [32]byte {
	if len(b) != 32 {
		b = bytes.Repeat([]byte{0xff}, 32)
	}
	return [32]byte(b)
}

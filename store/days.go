package store

import (
	"bytes"
	"context"
	"database/sql"
	"database/sql/driver"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"strings"
	"sync"
	"time"

	"modernc.org/sqlite"

	"lintel/internal/house"
)

// The visits of each day are counted as they come and go, so that a year of the
// visitor book is drawn without reading it. Triggers of the connection that writes
// keep the table days in each transaction; which day a time is of, local_day says,
// by the zone in the household's rules as they are in that transaction.

// dayTriggers keep the table days.
var dayTriggers = func() string {
	const day = `local_day(%[1]s.received_at, (SELECT value FROM settings WHERE name = 'rules'))`
	const plus = `INSERT INTO days (person, day, bell, kind, picture, visits)
		VALUES (%[2]s, ` + day + `, %[1]s.bell, %[1]s.kind, %[1]s.picture, 1)
		ON CONFLICT DO UPDATE SET visits = visits + 1; `
	const this = `WHERE person = %[2]s AND day = ` + day + ` AND bell = %[1]s.bell AND kind = %[1]s.kind
		AND picture = %[1]s.picture`
	const minus = `UPDATE days SET visits = visits - 1 ` + this + `; DELETE FROM days ` + this + ` AND visits <= 0; `
	var b strings.Builder
	for table, person := range map[string]string{"visits": "''", "appearances": "%s.person"} {
		who := func(of string) string { return strings.ReplaceAll(person, "%s", of) }
		more, less := fmt.Sprintf(plus, "new", who("new")), fmt.Sprintf(minus, "old", who("old"))
		fmt.Fprintf(&b, `
			DROP TRIGGER IF EXISTS temp.day_gains_%[1]s;
			DROP TRIGGER IF EXISTS temp.day_loses_%[1]s;
			DROP TRIGGER IF EXISTS temp.day_changes_%[1]s;
			CREATE TEMP TRIGGER day_gains_%[1]s AFTER INSERT ON main.%[1]s BEGIN %[2]s END;
			CREATE TEMP TRIGGER day_loses_%[1]s AFTER DELETE ON main.%[1]s BEGIN %[3]s END;
			CREATE TEMP TRIGGER day_changes_%[1]s AFTER UPDATE OF bell, kind, picture, received_at ON main.%[1]s
				WHEN (old.bell, old.kind, old.picture, old.received_at) IS NOT
					(new.bell, new.kind, new.picture, new.received_at) BEGIN %[3]s %[2]s END;`, table, more, less)
	}
	return b.String()
}()

// counted is what the table days is to hold, by the sealed rules ?1.
const counted = `SELECT '' AS person, local_day(received_at, ?1) AS day, bell, kind, picture, count(*) AS visits
		FROM visits GROUP BY 2, 3, 4, 5
	UNION ALL SELECT person, local_day(received_at, ?1) AS day, bell, kind, picture, count(*)
		FROM appearances GROUP BY 1, 2, 3, 4, 5`

// countDays counts all visits anew, if days begin elsewhere than when they were
// counted: in another zone, or by another table of zones.
func (a *Archive) countDays(ctx context.Context, tx *sql.Tx) error {
	sealed, err := sealedRules(ctx, tx)
	if err != nil {
		return err
	}
	began := a.beginnings(a.zones.of(a, sealed))
	var had sql.NullInt64
	err = tx.QueryRowContext(ctx, `SELECT (SELECT value FROM counters WHERE name = 'days')`).Scan(&had)
	if err != nil || had.Valid && had.Int64 == began {
		return err
	}
	return a.recountDays(ctx, tx, sealed, began)
}

func (a *Archive) recountDays(ctx context.Context, tx *sql.Tx, sealed []byte, began int64) error {
	if _, err := tx.ExecContext(ctx, `DELETE FROM days`); err != nil {
		return fmt.Errorf("counting visits by day: %w", err)
	}
	if _, err := tx.ExecContext(ctx, `INSERT INTO days (person, day, bell, kind, picture, visits) `+counted,
		sealed); err != nil {
		return fmt.Errorf("counting visits by day: %w", err)
	}
	_, err := tx.ExecContext(ctx, `INSERT INTO counters (name, value) VALUES ('days', ?)
		ON CONFLICT (name) DO UPDATE SET value = excluded.value`, began)
	return err
}

func sealedRules(ctx context.Context, q querier) (sealed []byte, err error) {
	err = q.QueryRowContext(ctx, `SELECT (SELECT value FROM main.settings WHERE name = 'rules')`).Scan(&sealed)
	if err != nil {
		return nil, fmt.Errorf("reading the rules: %w", err)
	}
	return sealed, nil
}

// beginnings is a number for when days begin in a zone, from 1970 to 2060. It is
// keyed, so that it does not tell where the household is.
func (a *Archive) beginnings(zone *time.Location) int64 {
	var text []byte
	for at := time.Unix(0, 0).In(zone); at.Year() < 2060; {
		_, offset := at.Zone()
		text = fmt.Appendf(text, "%d %d\n", at.Unix(), offset)
		_, end := at.ZoneBounds()
		if end.IsZero() {
			break
		}
		if !end.After(at) { // so it is on the last days of some years
			end = at.AddDate(0, 0, 1)
		}
		at = end
	}
	return int64(binary.BigEndian.Uint64(a.seals.Index("days " + string(text))))
}

// lastZone is the zone of the rules that were opened last.
type lastZone struct {
	mu     sync.Mutex
	sealed []byte
	zone   *time.Location
}

// of returns the zone that sealed rules name, which is the server's where there are
// none that open.
func (l *lastZone) of(a *Archive, sealed []byte) *time.Location {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.zone != nil && bytes.Equal(l.sealed, sealed) {
		return l.zone
	}
	rules := house.DefaultRules()
	if sealed != nil {
		_ = a.openJSON(&rules, sealed, "settings.value", "rules") // verify tells of those that don't open
	}
	l.sealed, l.zone = bytes.Clone(sealed), rules.Location()
	return l.zone
}

// localDayFunction is local_day(time, sealed rules).
func (a *Archive) localDayFunction(_ *sqlite.FunctionContext, args []driver.Value) (driver.Value, error) {
	at, _ := args[0].(int64)
	sealed, _ := args[1].([]byte)
	return dayOf(time.UnixMicro(at).In(a.zones.of(a, sealed))), nil
}

// dayOf numbers the day of a time, by its own zone.
func dayOf(at time.Time) int64 {
	return time.Date(at.Year(), at.Month(), at.Day(), 0, 0, 0, 0, time.UTC).Unix() / 86400
}

// warnsFunction is warns(id, sealed): whether a face bears a sign of a picture.
func (a *Archive) warnsFunction(_ *sqlite.FunctionContext, args []driver.Value) (driver.Value, error) {
	id, _ := args[0].(string)
	sealed, _ := args[1].([]byte)
	raw, err := a.open(sealed, facePlace(id)...)
	if err != nil || !bytes.Contains(raw, []byte(`"Liveness"`)) {
		return int64(0), nil // verify tells of one that does not open
	}
	var face sealedFace
	if err := json.Unmarshal(raw, &face); err != nil || face.Liveness == nil || !face.Liveness.Level.Warns() {
		return int64(0), nil
	}
	return int64(1), nil
}

// Days counts the visits that the filter picks by their days, which are written
// as in "2031-05-04". Days without a visit are left out.
func (a *Archive) Days(ctx context.Context, f Filter, zone *time.Location) (map[string]int, error) {
	counts := make(map[string]int)
	if f.Held || len(f.Persons) > 1 || !f.wholeDays(zone) {
		rings, err := a.Rings(ctx, f)
		if err != nil {
			return nil, err
		}
		for _, ring := range rings {
			counts[ring.At.In(zone).Format(time.DateOnly)]++
		}
		return counts, nil
	}
	person, bell := "", ""
	switch {
	case len(f.Persons) == 1:
		person = f.Persons[0]
	case f.Persons != nil:
		return counts, nil
	}
	if f.Bell != "" {
		bell = a.bellID(f.Bell)
	}
	first, last := dayOf(f.From.In(zone)), dayOf(f.Until.Add(-1).In(zone))
	rows, err := a.read.QueryContext(ctx, `
		SELECT day, sum(visits) FROM days WHERE person = ?1 AND day BETWEEN ?2 AND ?3
			AND (?4 = '' OR bell = ?4) AND (?5 = '' OR kind = ?5) AND picture >= ?6
		GROUP BY day`, person, first, last, bell, f.Kind, f.Picture)
	type count struct {
		day    int64
		visits int
	}
	days, err := scanAll(rows, err, func(c *count) error { return rows.Scan(&c.day, &c.visits) })
	if err != nil {
		return nil, fmt.Errorf("counting visits by day: %w", damage(err))
	}
	for _, d := range days {
		counts[time.Unix(d.day*86400, 0).UTC().Format(time.DateOnly)] = d.visits
	}
	return counts, nil
}

// wholeDays reports whether the filter has a period of whole days.
func (f Filter) wholeDays(zone *time.Location) bool {
	begins := func(at time.Time) bool { return dayOf(at.In(zone)) != dayOf(at.Add(-time.Microsecond).In(zone)) }
	return !f.From.IsZero() && f.From.Before(f.Until) && begins(f.From) && begins(f.Until)
}

// Span returns the years of the oldest visit and of the newest, zeros without any.
func (a *Archive) Span(ctx context.Context) (first, last int, err error) {
	var from, until sql.NullInt64
	err = a.read.QueryRowContext(ctx, `SELECT (SELECT min(day) FROM days WHERE person = ''),
		(SELECT max(day) FROM days WHERE person = '')`).Scan(&from, &until)
	if err != nil || !from.Valid {
		return 0, 0, damage(err)
	}
	year := func(day int64) int { return time.Unix(day*86400, 0).UTC().Year() }
	return year(from.Int64), year(until.Int64), nil
}

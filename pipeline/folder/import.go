package folder

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"lintel/pipeline/intake"
)

// A Clock is where a file's time is read.
type Clock string

const (
	ByEXIF Clock = "exif" // DateTimeOriginal, with its offset or else in the household's zone
	ByName Clock = "name" // by [Names]
	ByFile Clock = "file" // the file's date
)

// An Import brings old stills in from a folder, once: at their own times, and past
// the rules of keeping that are too old. Whoever runs it again brings in what is
// missing.
type Import struct {
	Bell  string
	Dir   string
	Names Names
	Gap   time.Duration
	// Clocks are asked in this order; the first that tells a time counts.
	Clocks []Clock
	// Step, if set, is called after each file, of so many.
	Step func(done, of int)
}

// A Report is what became of the files of an import.
type Report struct {
	Files   int            `json:"files"`
	Kept    int            `json:"kept"`
	Rings   int            `json:"rings"`   // that have one of those kept
	Damaged int            `json:"damaged"` // of those kept, kept in part
	Known   int            `json:"known"`   // already here
	Past    int            `json:"past"`    // older than any is kept
	Quiet   int            `json:"quiet"`   // of a time when nothing is kept
	Refused map[Reason]int `json:"refused"`
	// First and Last are when the first and the last were that were kept.
	First time.Time `json:"first,omitzero"`
	Last  time.Time `json:"last,omitzero"`
}

// A dated entry is a file with its time.
type dated struct {
	entry
	Parts
}

// Run brings the stills in. Where it breaks off, what the report counts is kept. The
// error is intake.ErrUnknownBell, or of the folder or the archive.
func (m Import) Run(ctx context.Context, archive Archive, in Intake) (r Report, err error) {
	r.Refused = make(map[Reason]int)
	if err := in.Vouch(ctx, m.Bell); err != nil {
		return r, err
	}
	rules, err := archive.Rules(ctx)
	if err != nil {
		return r, err
	}
	all, err := m.dated(ctx, rules.Location(), &r)
	if err != nil {
		return r, err
	}
	t := taking{m.Bell, archive, in.Receive, newRings(m.Gap)}
	rings := make(map[string]bool)
	for i, d := range all {
		if err := ctx.Err(); err != nil {
			return r, fmt.Errorf("bringing stills in: %w", err)
		}
		if err := m.bring(ctx, t, d, &r, rings); err != nil {
			return r, err
		}
		if m.Step != nil {
			m.Step(i+1, len(all))
		}
	}
	return r, nil
}

// dated lists the folder's files, in the order of their times.
func (m Import) dated(ctx context.Context, zone *time.Location, r *Report) (all []dated, err error) {
	files, _, err := list(ctx, m.Dir)
	if err != nil {
		return nil, err
	}
	for _, e := range files {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		p, ok := m.Names.Read(e.name, zone)
		if !ok {
			continue
		}
		r.Files++
		p.At = m.timeOf(e, p.At, zone)
		all = append(all, dated{e, p})
	}
	slices.SortFunc(all, func(a, b dated) int {
		return cmp.Or(a.Parts.compare(b.Parts), strings.Compare(a.name, b.name))
	})
	return all, nil
}

// timeOf is a file's time, by the first clock that tells one, and by its date where
// none does.
func (m Import) timeOf(e entry, byName time.Time, zone *time.Location) time.Time {
	for _, clock := range m.Clocks {
		switch {
		case clock == ByName && !byName.IsZero():
			return byName
		case clock == ByFile:
			return e.modified
		case clock == ByEXIF:
			body, err := read(m.Dir, e)
			if at, ok := intake.TakenAt(body, zone); err == nil && ok {
				return at
			}
		}
	}
	return e.modified
}

// bring brings a file in, and counts what became of it. An error is of the archive.
func (m Import) bring(ctx context.Context, t taking, d dated, r *Report, rings map[string]bool) error {
	body, err := read(m.Dir, d.entry)
	if err != nil {
		r.Refused[Unreadable]++
		return nil
	}
	known, receipt, err := t.take(ctx, d.entry, d.Parts, body, d.At)
	switch why := refusalOf(err); {
	case why == Past:
		r.Past++
	case why != "":
		r.Refused[why]++
	case err != nil:
		return err
	case known:
		r.Known++
	case !receipt.Kept:
		r.Quiet++
	default:
		r.Kept++
		rings[receipt.Ring] = true
		r.Rings = len(rings)
		if receipt.Damaged {
			r.Damaged++
		}
		if r.First.IsZero() || d.At.Before(r.First) {
			r.First = d.At
		}
		if d.At.After(r.Last) {
			r.Last = d.At
		}
	}
	return nil
}

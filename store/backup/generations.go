package backup

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// How many generations stay where nobody says how many snapshots: of each of the last days,
// weeks and months that have any the newest. Days count that have a snapshot, so that a pause
// removes none. Common practice, no source.
const (
	keptDays   = 7
	keptWeeks  = 4
	keptMonths = 12
)

// keptDamaged is how many copies of a damaged archive stay.
const keptDamaged = 3

// generations returns which of the snapshots, oldest first, stay and which go.
func generations(all []snapshot) (stay, go1 []snapshot) {
	kept := make(map[string]bool)
	periods := []struct {
		left int
		name func(time.Time) string
	}{
		{keptDays, func(t time.Time) string { return t.Format("day 2006-01-02") }},
		{keptWeeks, func(t time.Time) string {
			year, week := t.ISOWeek()
			return fmt.Sprintf("week %d-%d", year, week)
		}},
		{keptMonths, func(t time.Time) string { return t.Format("month 2006-01") }},
	}
	for i := len(all) - 1; i >= 0; i-- {
		stays := i == len(all)-1
		for j := range periods {
			p := &periods[j]
			if name := p.name(all[i].madeAt); p.left > 0 && !kept[name] {
				kept[name], stays = true, true
				p.left--
			}
		}
		if stays {
			stay = append([]snapshot{all[i]}, stay...)
		} else {
			go1 = append(go1, all[i])
		}
	}
	return stay, go1
}

// newestOf keeps so many of the newest.
func newestOf(all []snapshot, n int) (stay, go1 []snapshot) {
	first := max(0, len(all)-n)
	return all[first:], all[:first]
}

// prune removes the snapshots that are too many, and then the stills, pieces and keys that none
// of the others needs. A copy of a damaged archive is none of the generations: nothing sound goes
// for its sake.
func (b *backup) prune(ctx context.Context) error {
	sound, err := b.folder.snapshots()
	if err != nil {
		return err
	}
	damaged, err := b.folder.damaged()
	if err != nil {
		return err
	}
	damaged, gone := newestOf(damaged, keptDamaged)
	if len(b.defects) == 0 {
		var old []snapshot
		if b.o.Keep > 0 {
			sound, old = newestOf(sound, b.o.Keep)
		} else {
			sound, old = generations(sound)
		}
		gone = append(gone, old...)
	}
	for _, s := range gone {
		if err := b.folder.removeSnapshot(s); err != nil {
			return fmt.Errorf("removing snapshot %s: %w", s.name, err)
		}
		b.report.SnapshotsGone = append(b.report.SnapshotsGone, s.name)
		if err := b.pass("snapshot removed"); err != nil {
			return err
		}
	}
	return b.removeUnneeded(ctx, append(damaged, sound...))
}

// removeUnneeded removes what none of the snapshots that stay needs.
func (b *backup) removeUnneeded(ctx context.Context, stay []snapshot) error {
	if err := b.folder.removeKeys(stay); err != nil {
		return err
	}
	lists, damaged := b.folder.lists(stay)
	defer lists.close()
	if b.report.DamagedIndexes = append(b.report.DamagedIndexes, damaged...); len(damaged) > 0 {
		return nil // what they name is not known
	}
	n, err := b.folder.removeStills(ctx, func(_, path string) (bool, error) {
		_, named, err := lists.find(path)
		return !named, err
	})
	b.report.StillsRemoved += n
	if err := errors.Join(err, b.pass("stills removed")); err != nil {
		return err
	}
	return errors.Join(b.folder.removePieces(stay), b.pass("pieces removed"))
}

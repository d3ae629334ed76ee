package store

import "context"

// checkRows looks for rows that give power and that somebody without the master
// key added, changed, removed or put back. Nothing of it can be mended: what was
// there before is not known.
func (v *verification) checkRows(ctx context.Context) error {
	all, uncounted, err := v.Suspicions(ctx, true)
	if err != nil {
		return err
	}
	const then = "; restore a backup from before, or see that the rest is right and run lintel verify --recount"
	if uncounted {
		v.found(WithRows, "ledger", false, "the count of rows that give power is gone or does not open, so nothing tells "+
			"whether some were removed%s", then)
	}
	for _, s := range all {
		if s.Strange > 0 {
			v.found(WithRows, s.Table, false, "%d rows were added or changed by somebody without the master key, and count "+
				"for nothing%s", s.Strange, then)
		}
		if s.Missing > 0 {
			v.found(WithRows, s.Table, false, "%d rows were removed by somebody without the master key%s", s.Missing, then)
		}
		if s.PutBack {
			v.found(WithRows, s.Table, false, "a row is as it once was, put back by somebody without the master key; it "+
				"counts, since nothing tells which%s", then)
		}
	}
	return nil
}

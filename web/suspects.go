package web

import (
	"context"

	"lintel/web/view"
)

// fillSuspects says what somebody without the master key wrote to the archive: in
// the tables that are quickly gone through as they are now, in the others as they
// were when all were looked at last.
func (s *Server) fillSuspects(ctx context.Context, t view.Presenter, page *upkeepView) error {
	all, uncounted, err := s.Archive.Suspicions(ctx, false)
	if err != nil {
		return err
	}
	if s.Suspects != nil {
		for _, old := range s.Suspects() {
			if old.Large {
				all = append(all, old)
			}
		}
	}
	if uncounted {
		page.Suspects = append(page.Suspects, t.Words.Text("suspicion-uncounted"))
	}
	for _, x := range all {
		page.Suspects = append(page.Suspects, t.Suspicion(x)...)
	}
	checked, err := s.Archive.TrailChecked(ctx)
	if err != nil {
		return err
	}
	if checked.Tampered != nil {
		page.Suspects = append(page.Suspects, tamperedWords(t.Words, *checked.Tampered))
	}
	if s.PutBack == nil {
		return nil
	}
	if back := s.PutBack(); back != nil {
		key := "suspicion-folder"
		if back.Trail {
			key = "suspicion-trail"
		}
		page.PutBack = t.Words.Text(key, "Had", t.Words.Amount(back.Had), "Has", t.Words.Amount(back.Has),
			"Moment", t.Moment(back.Found))
	}
	return nil
}

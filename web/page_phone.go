package web

import (
	"context"
	"errors"

	"lintel/internal/house"
	"lintel/web/view"
)

// weekOf is the last week of a phone, nil where it told nothing.
func (s *Server) weekOf(ctx context.Context, t view.Presenter, source string, rules house.AdviceRules) (*view.PhoneWeek,
	error) {
	week, err := s.Factors.Week(ctx, source)
	if errors.Is(err, house.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return t.PhoneWeek(week, rules), nil
}

package view

import "lintel/internal/house"

// Suspicion says what somebody without the master key wrote to one table, a line
// for each.
func (t Presenter) Suspicion(s house.Suspicion) (lines []string) {
	what := t.Words.Text("kind-" + s.Table)
	if s.Strange > 0 {
		lines = append(lines, t.Words.Text("suspicion-strange", "What", what, "Count", s.Strange))
	}
	if s.Missing > 0 {
		lines = append(lines, t.Words.Text("suspicion-missing", "What", what, "Count", s.Missing))
	}
	if s.PutBack {
		lines = append(lines, t.Words.Text("suspicion-put-back", "What", what))
	}
	return lines
}

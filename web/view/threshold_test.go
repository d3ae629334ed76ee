package view

import (
	"testing"

	"lintel/internal/words"
	"lintel/pipeline/match"
)

// TestRate never lets a rate be 0 % for want of errors.
func TestRate(t *testing.T) {
	for _, test := range []struct {
		rate match.Rate
		want string
	}{
		{match.Rate{}, "nothing to count"},
		// 1 - 0.025^(1/10) = 30.85 %
		{match.Rate{N: 10}, "none of 10, so at most 31 %"},
		// Clopper-Pearson 0.0025 to 0.4450, as R's binom.test(1, 10) prints (from memory)
		{match.Rate{Errors: 1, N: 10}, "1 of 10, 10 %, 95 % interval 0.25 % to 45 %"},
	} {
		if got := (Presenter{Words: words.For("en")}).rate(test.rate); got != test.want {
			t.Errorf("%+v: %q, want %q", test.rate, got, test.want)
		}
	}
}

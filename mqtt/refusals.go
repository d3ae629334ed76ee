package mqtt

import (
	"errors"

	"lintel/internal/house"
	"lintel/pipeline/arrive"
	"lintel/pipeline/factor"
	"lintel/pipeline/onetime"
)

// refusals are what is wrong with messages, in the words of the log. An error's
// own text is not written there: it may repeat the message.
var refusals = []struct {
	err  error
	kind string
}{
	{factor.ErrMessage, "no message"},
	{factor.ErrNotTheirs, "not theirs to tell"},
	{factor.ErrNoToken, "nobody's token"},
	{factor.ErrNoHome, "no home"},
	{factor.ErrGuesses, "too many wrong codes"},
	{onetime.ErrFormat, "no code"},
	{onetime.ErrWrong, "wrong code"},
	{onetime.ErrReused, "code used before"},
	{arrive.ErrReport, "no report"},
	{arrive.ErrPosition, "no position"},
	{arrive.ErrAccuracy, "accuracy"},
	{arrive.ErrFuture, "from the future"},
	{arrive.ErrOld, "too old"},
	{arrive.ErrOrder, "not later than the one before"},
	{arrive.ErrSpeed, "too fast"},
	{arrive.ErrHome, "no home"},
	{house.ErrNotFound, "not there"},
}

// refusal says what is wrong with a message, and whether it is the message at
// all that something is wrong with. A failed attempt that could not be counted
// is no such error of the desk's.
func refusal(err error) (kind string, refused bool) {
	for _, r := range refusals {
		if errors.Is(err, r.err) {
			return r.kind, true
		}
	}
	return "", false
}

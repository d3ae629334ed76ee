package broker

import (
	"errors"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/advice/geofence"
	"lintel/pipeline/advice/totp"
)

// refusals are what is wrong with messages, in the words of the log. An error's
// own text is not written there: it may repeat the message.
var refusals = []struct {
	err  error
	kind string
}{
	{evidence.ErrMessage, "no message"},
	{evidence.ErrNotTheirs, "not theirs to tell"},
	{evidence.ErrNoToken, "nobody's token"},
	{evidence.ErrNoHome, "no home"},
	{evidence.ErrGuesses, "too many wrong codes"},
	{totp.ErrFormat, "no code"},
	{totp.ErrWrong, "wrong code"},
	{totp.ErrReused, "code used before"},
	{evidence.ErrTwice, "twice"},
	{evidence.ErrList, "list"},
	{evidence.ErrLatitude, "lat"},
	{evidence.ErrLongitude, "lon"},
	{evidence.ErrTime, "time"},
	{evidence.ErrCrossing, "crossing"},
	{evidence.ErrCode, "code"},
	{evidence.ErrToken, "token"},
	{geofence.ErrPosition, "no position"},
	{geofence.ErrAccuracy, "accuracy"},
	{geofence.ErrFuture, "from the future"},
	{geofence.ErrOld, "too old"},
	{geofence.ErrOrder, "not later than the one before"},
	{geofence.ErrSpeed, "too fast"},
	{geofence.ErrHome, "no home"},
	{house.ErrNotFound, "not there"},
}

// refusal says what is wrong with a message, and whether it is the message at
// all that something is wrong with. A failed attempt that could not be counted
// is no such error of the inbox's.
func refusal(err error) (kind string, refused bool) {
	for _, r := range refusals {
		if errors.Is(err, r.err) {
			return r.kind, true
		}
	}
	return "", false
}

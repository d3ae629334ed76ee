package main

import (
	"errors"
	"fmt"
	"io"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/models"
	"lintel/store"
	"lintel/store/backup"
	"lintel/store/seal"
)

// say are the words that commands print.
var say = words.For("en").At(time.Now(), time.Local)

// tell prints a message of the catalog as a line.
func tell(w io.Writer, key string, told ...any) { fmt.Fprintln(w, say.Text(key, told...)) }

// A told error says in words of the catalog what went wrong. The cause, if there
// is one, is for programs.
type told struct {
	says  string
	cause error
}

func (e told) Error() string { return e.says }
func (e told) Unwrap() error { return e.cause }

// failed makes an error that is told by a key, and is the cause.
func failed(cause error, key string, values ...any) error {
	return told{say.Text(key, values...), cause}
}

// misused is failed, of a wrong command line.
func misused(key string, values ...any) error { return failed(errUsage, key, values...) }

// explanations say of errors what happened, what was kept, and what to do. The
// first that fits is told, with what the error itself says.
var explanations = []struct {
	err error
	key string
}{
	{house.ErrNoSpace, "explain-no-space"},
	{store.ErrInUse, "explain-in-use"},
	{store.ErrWrongKey, "explain-wrong-key"},
	{store.ErrNewerArchive, "explain-newer"},
	{store.ErrDamaged, "explain-damaged"},
	{seal.ErrBadKey, "explain-bad-key"},
	{backup.ErrInUse, "explain-backup-in-use"},
	{backup.ErrNotBackup, "explain-not-backup"},
	{backup.ErrOtherHousehold, "explain-other-household"},
	{backup.ErrNewer, "explain-newer"},
	{backup.ErrNotEmpty, "explain-not-empty"},
	{backup.ErrNoSnapshot, "explain-no-snapshot"},
	{backup.ErrIdentity, "explain-identity"},
	{models.ErrIncomplete, "explain-models"},
	{house.ErrHeld, "explain-held"},
	{house.ErrAmbiguous, "explain-ambiguous"},
	{house.ErrNotFound, "explain-not-found"},
	{house.ErrExists, "explain-exists"},
}

// explain says to people what went wrong.
func explain(err error) string {
	var own told
	if errors.As(err, &own) {
		return err.Error()
	}
	if says, ok := say.Refusal(err); ok {
		return words.Capital(says) + "."
	}
	for _, e := range explanations {
		if errors.Is(err, e.err) {
			return say.Text(e.key, "Error", err.Error())
		}
	}
	return err.Error()
}

package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/models"
	"lintel/store"
	"lintel/store/backup"
	"lintel/store/seal"
)

// say are the words that commands print, in the language of the shell's locale.
var say = words.For(locale(os.Getenv)).At(time.Now(), time.Local)

// locale is the language that the environment asks for in messages, as a tag: that of
// the first of LC_ALL, LC_MESSAGES and LANG which is set (POSIX.1-2017, Base
// Definitions, 8.2), such as de-AT of de_AT.UTF-8. What no tag is made of, such as C,
// is English.
func locale(environment func(name string) string) string {
	name := cmp.Or(environment("LC_ALL"), environment("LC_MESSAGES"), environment("LANG"))
	name, _, _ = strings.Cut(name, ".")
	name, _, _ = strings.Cut(name, "@")
	return words.Own.Match(strings.ReplaceAll(name, "_", "-"))
}

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

// misusedBy is misused, of what a refusal says.
func misusedBy(err error) error {
	says, _ := say.Refusal(err)
	return told{words.Capital(says) + ".", fmt.Errorf("%w: %w", errUsage, err)}
}

// explanations say of errors what happened, what was kept, and what to do. The
// first that fits is told, with what the error itself says.
var explanations = []struct {
	err error
	key string
}{
	{house.ErrNoSpace, "explain-no-space"},
	{house.ErrClockDoubted, "explain-clock-doubted"},
	{store.ErrInUse, "explain-in-use"},
	{store.ErrOpenElsewhere, "explain-open-elsewhere"},
	{store.ErrRotating, "explain-rotating"},
	{store.ErrWrongKey, "explain-wrong-key"},
	{store.ErrNewerArchive, "explain-newer"},
	{store.ErrDamaged, "explain-damaged"},
	{store.ErrMigration, "explain-migration"},
	{seal.ErrBadKey, "explain-bad-key"},
	{seal.ErrExposed, "explain-exposed"},
	{backup.ErrInUse, "explain-backup-in-use"},
	{backup.ErrNotBackup, "explain-not-backup"},
	{backup.ErrOtherHousehold, "explain-other-household"},
	{backup.ErrNewer, "explain-newer"},
	{backup.ErrNotEmpty, "explain-not-empty"},
	{backup.ErrNoSnapshot, "explain-no-snapshot"},
	{backup.ErrIdentity, "explain-identity"},
	{models.ErrIncomplete, "explain-models"},
	{house.ErrLastResident, "problem-last-resident"},
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

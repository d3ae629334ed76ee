// Package folder takes stills from files: of a folder that a camera uploads to,
// while the server runs ([Watcher]), and old ones, once ([Import]).
//
// What comes in are files that other programs write. What goes out are
// [intake.Delivery]s, for package intake's Receive, with a ring and a frame for
// each, and what became of every file, so that none is taken twice.
//
// # Which files
//
// Regular files of the folder, and of folders in it four deep, whose names end in
// .jpg, .jpeg, .png, .heic, .heif, .avif or .webp, of which only the first three are
// taken and the others refused in words. Names that begin with a dot are no
// file's that is finished. No symbolic link is followed, nothing but a file is opened,
// and nothing is changed or removed, unless [Watch].Remove says so of what was kept.
//
// # When a file is whole
//
// Once nobody wrote to it for [Settle] and it ends as its kind does. One that does not
// end so is taken after [Patience], as far as it goes (package intake calls that
// damaged), and one that somebody goes on writing to after [Longest].
//
// # Which ring
//
// Files belong to one ring where their names say so ([Names]), or else where their
// times lie no further apart than [Watch].Gap. A ring has 16 frames at most; what
// comes after begins the next.
//
// # When it was
//
// A file's time is the one in its name or else the file's date. What comes while the
// folder is watched rings now, whatever its time says, which is kept as the bell's
// clock; but a file that is over [Late] old came late, and is brought in as an old one
// is: at its own time, and nobody rings. What was there before the folder was watched
// for the first time is let be.
package folder

import (
	"context"
	"errors"
	"io/fs"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/intake"
)

const (
	// Settle is how long a file must not have changed.
	Settle = 500 * time.Millisecond
	// Patience is how long a file that does not end as it should may stay as it is
	// until it is taken all the same.
	Patience = 10 * time.Second
	// Longest is how long somebody may write to a file until it is taken as far as
	// it goes.
	Longest = time.Minute
	// Late is how old a file may be that rings.
	Late = 10 * time.Minute
	// Gap is how far apart the times of a ring's files are at the most, unless the
	// household says otherwise.
	Gap = 10 * time.Second
	// Every is how often a folder is looked through where nothing tells of changes,
	// unless the household says otherwise.
	Every = 5 * time.Second
)

// An Archive remembers files.
type Archive interface {
	FolderSince(ctx context.Context, bell, path string) (time.Time, error)
	KnowsFile(context.Context, house.FolderFile) (bool, error)
	FileOf(ctx context.Context, bell string, content [32]byte) (f house.FolderFile, found bool, err error)
	KeepFile(context.Context, house.FolderFile) error
	Rules(context.Context) (house.Rules, error)
}

// A Receive keeps a delivery, as intake.Intake's does.
type Receive func(context.Context, intake.Delivery) (intake.Receipt, error)

// A Reason is why a file is no still, as a word.
type Reason string

const (
	Empty      Reason = "empty"
	TooLarge   Reason = "too-large"
	Pixels     Reason = "too-many-pixels"
	NoPicture  Reason = "not-a-picture"
	HEIC       Reason = "heic"
	WebP       Reason = "webp"
	Past       Reason = "past"
	Future     Reason = "future"
	Unreadable Reason = "unreadable"
	Erased     Reason = "erased"
)

// refusals are the errors that are about a file, and not about the server: trying
// again would change nothing.
var refusals = []struct {
	err error
	why Reason
}{
	{intake.ErrEmpty, Empty},
	{intake.ErrTooLarge, TooLarge},
	{intake.ErrTooManyPixels, Pixels},
	{intake.ErrHEIC, HEIC},
	{intake.ErrWebP, WebP},
	{intake.ErrNotAPicture, NoPicture},
	{intake.ErrPast, Past},
	{intake.ErrFuture, Future},
	{house.ErrErased, Erased},
	{fs.ErrPermission, Unreadable},
	{errNoFile, Unreadable},
}

// refusalOf is why a file is no still, "" where the error is not about the file.
func refusalOf(err error) Reason {
	for _, r := range refusals {
		if errors.Is(err, r.err) {
			return r.why
		}
	}
	return ""
}

// A taking is a file on its way to the archive.
type taking struct {
	bell    string
	archive Archive
	receive Receive
	rings   *rings
}

// take keeps a file as the frame that it was begun as, or else as the next of its
// ring. Came is zero for one that rings now.
func (t taking) take(ctx context.Context, e entry, p Parts, body []byte, came time.Time) (known bool, r intake.Receipt,
	err error) {
	f := house.FolderFile{Bell: t.bell, Name: e.name, Size: e.size, Modified: e.modified, Content: contentOf(body)}
	before, known, err := t.archive.FileOf(ctx, t.bell, f.Content)
	if err != nil {
		return false, r, err
	}
	if known && before.Ring != "" {
		f.Ring, f.Frame = before.Ring, before.Frame
		t.rings.resume(p, f.Ring, f.Frame)
	}
	// What was not kept, and is brought in as old, is judged anew: rules change.
	if known && before.State != house.FileBegun && (came.IsZero() || before.State == house.FileTaken) {
		f.State = before.State // under another name, perhaps
		return true, r, t.archive.KeepFile(ctx, f)
	}
	if f.Ring == "" {
		f.Ring, f.Frame = t.rings.place(p)
	}
	f.State = house.FileBegun
	if err := t.archive.KeepFile(ctx, f); err != nil {
		return false, r, err
	}
	r, err = t.receive(ctx, intake.Delivery{Bell: t.bell, Ring: f.Ring, Frame: f.Frame, TakenAt: p.At, Body: body,
		Came: came})
	switch {
	case err == nil && r.Kept:
		f.State = house.FileTaken
	case err == nil:
		f.State = house.FileQuiet
	case refusalOf(err) != "":
		f.State = house.FileRefused
	default:
		return false, r, err
	}
	return false, r, errors.Join(err, t.archive.KeepFile(ctx, f))
}

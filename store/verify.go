package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"time"
)

// A Report is what [Archive.Verify] looked at and found.
type Report struct {
	Visits  int   `json:"visits"`
	Stills  int   `json:"stills"`  // whose files are there to be opened
	Lost    int   `json:"lost"`    // stills known as lost, by this run or one before
	Files   int   `json:"files"`   // of stills
	Sealed  int   `json:"sealed"`  // values that open: names, faces, references …
	Keys    int   `json:"keys"`    // in slots
	Entries int64 `json:"entries"` // of the audit trail

	Problems []Problem `json:"problems"` // a thousand at most
	Unlisted int       `json:"unlisted"` // how many more there are
	Left     int       `json:"left"`     // how many of all are not mended
}

// A Problem is something in an archive that is not as it should be.
type Problem struct {
	What    string `json:"what"`    // what was looked at, one of the words below
	Subject string `json:"subject"` // an id, or the name of a file
	Words   string `json:"words"`   // what is wrong and what comes of it, for people
	Mended  bool   `json:"mended"`
}

// What a problem may be with.
const (
	WithDatabase = "database" // SQLite's own structure
	WithTrail    = "trail"    // the audit trail
	WithStill    = "still"    // a still's file, as its row has it
	WithFile     = "file"     // a file that no row names, or in the wrong place
	WithSealed   = "sealed"   // a value that does not open
	WithKey      = "key"      // a slot of the file of keys
	WithRows     = "rows"     // rows that give power and were not written by who has the master key
	WithVisit    = "visit"    // what follows from a visit's rows
	WithRemoval  = "removal"  // a file or a person half erased
)

const maxProblems = 1000

// someRows is how many rows are looked at at once: enough to be quick, few
// enough for little memory.
const someRows = 500

// onItsWay is how long a file may be incoming without being a problem.
const onItsWay = time.Minute

// Verify checks the archive: the database by SQLite's own means, every still's
// file against its row, hash and key and every file against a row, every sealed
// value, every slot of the file of keys, the audit trail and what follows from rows. A server may run meanwhile: whatever changes between two looks is
// looked at again. Progress, unless nil, is called after each still.
//
// With repair it mends what can be mended without inventing anything: files
// that no row names go, files on their way arrive, a row is corrected where its
// file is authentic, erasures are finished. A still whose file is gone or does
// not open is marked as lost, and such a file removed, since no key there is
// will ever open it. The audit trail is not mended, only told of such losses. Of a
// database that SQLite finds damaged the indexes are made anew; if that is not enough,
// it is left as it is, and not looked at further.
func (a *Archive) Verify(ctx context.Context, repair bool, progress func(done, total int)) (Report, error) {
	return a.verify(ctx, &verification{Archive: a, repair: repair, progress: progress})
}

func (a *Archive) verify(ctx context.Context, v *verification) (Report, error) {
	v.Problems = []Problem{}
	if err := v.run(ctx); err != nil {
		return v.Report, fmt.Errorf("verifying the archive: %w", damage(err))
	}
	return v.Report, nil
}

type verification struct {
	*Archive
	Report
	repair   bool
	from     *Archive // a copy to take from what is damaged, nil for none
	progress func(done, total int)
	served   bool // whether a server uses the archive and goes on with what is half done
	intact   bool // the audit trail
}

func (v *verification) run(ctx context.Context) error {
	release, err := v.reserve()
	if err != nil {
		return err
	}
	defer release()
	if whole, err := v.checkDatabase(ctx); err != nil || !whole {
		return err
	}
	for _, check := range []func(context.Context) error{
		v.takeFromCopy, v.checkTrail, v.checkRemovals, v.checkIncoming, v.checkFiles, v.checkStills, v.checkSealed,
		v.checkKeys, v.checkRows, v.checkVisits, v.checkDays, v.checkAges,
	} {
		if err := check(ctx); err != nil {
			return err
		}
	}
	return nil
}

// reserve finds out whether a server uses the archive, and for a repair keeps
// one from starting.
func (v *verification) reserve() (release func(), err error) {
	release = func() {}
	if v.lock != nil { // this is the server
		v.served = true
		return release, nil
	}
	if v.repair {
		err := v.Lock()
		if v.served = errors.Is(err, ErrInUse); err != nil && !v.served {
			return nil, err
		}
		if !v.served {
			release = func() { v.lock.Close(); v.lock = nil }
		}
		return release, nil
	}
	f, err := os.Open(filepath.Join(v.dir, "server.lock"))
	if errors.Is(err, fs.ErrNotExist) {
		return release, nil
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	v.served = syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB) != nil
	return release, nil
}

func (v *verification) found(what, subject string, mended bool, words string, args ...any) {
	if !mended {
		v.Left++
	}
	if len(v.Problems) == maxProblems {
		v.Unlisted++
		return
	}
	v.Problems = append(v.Problems, Problem{what, subject, fmt.Sprintf(words, args...), mended})
}

// mend runs f in a repair. Whether that went well is for mended and failure
// to say: one thing that can't be mended does not keep the others.
func (v *verification) mend(f func() error) error {
	if !v.repair {
		return nil
	}
	return f()
}

func (v *verification) mended(err error) bool { return v.repair && err == nil }

func failure(err error) string {
	if err == nil {
		return ""
	}
	return fmt.Sprintf("; mending it failed: %v", err)
}

func (v *verification) ifMended(err error, words string) string {
	if v.mended(err) {
		return words
	}
	return ""
}

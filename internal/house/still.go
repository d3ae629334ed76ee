package house

import (
	"errors"
	"time"
)

// ErrOtherBytes says that the archive has this frame of this ring already,
// with other bytes.
var ErrOtherBytes = errors.New("this frame is here already with other bytes")

// ErrNoSpace says that the disk is full or may not be written.
var ErrNoSpace = errors.New("no space to keep a still")

// ErrErased says that the household erased the visit of this ring, so that no
// still of it is kept again.
var ErrErased = errors.New("this visit was erased")

// A Still is one picture of a visit, as the archive keeps it.
type Still struct {
	ID         string
	Visit      string
	Frame      int
	Width      int // pixels
	Height     int // pixels
	Damaged    bool
	ReceivedAt time.Time // by the server's clock
	TakenAt    time.Time // by the bell's clock, zero if it did not say
	State      StillState
	Faces      []Face   // from left to right
	Attempts   int      // how often an examination began
	SHA256     [32]byte // of the file
	Size       int      // of the file, in bytes
	File       string   // names the file; "" when it is gone
	Lost       bool     // whether the file went missing or broke, rather than by a rule
	Masked     int64    // revision of the bell's masks that were black on it
	Bell       string   // id of its bell; "" but for one that waits to be examined
	Imported   bool     // whether an old visit's was brought in; said of one that waits alone
	Behind     bool     // whether it waits for long, so that new ones come first; as above
}

// Unlooked returns how many more faces the still seems to have than were looked
// at: as many as its faces say.
func (s Still) Unlooked() (n int) {
	for _, f := range s.Faces {
		n = max(n, f.Unlooked)
	}
	return n
}

// A StillState says how far the examination of a still has come.
type StillState string

const (
	Pending StillState = "pending" // not examined yet
	Done    StillState = "done"    // examined; no faces means that none was found
	Failed  StillState = "failed"  // could not be examined
)

// MaxAttempts is how often an examination may begin without an end, before the still
// is given up: whatever takes the process down with it must not do so at every start.
const MaxAttempts = 3

// A NewStill is a still to keep. JPEG is what the file will hold.
type NewStill struct {
	Bell, Ring    string
	Frame         int      // 0 to 15
	SentSHA256    [32]byte // of the bytes as the bell sent them
	JPEG          []byte
	Width, Height int
	Damaged       bool
	ReceivedAt    time.Time
	TakenAt       time.Time // zero if the bell did not say
	Masked        int64     // revision of the bell's masks that are black on it
	Imported      bool      // an old one: ReceivedAt is when it came, not now
}

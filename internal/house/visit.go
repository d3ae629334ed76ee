package house

import "time"

// A Visit is what the archive keeps of a ring.
type Visit struct {
	ID          string
	Bell        string
	Ring        string
	ReceivedAt  time.Time // of its first still, by the server's clock
	Revision    int64
	Kind        Kind
	Parcel      bool // the household says that a parcel came
	Stage       Stage
	CountedFrom time.Time // when the periods of keeping began
	// ImportedAt is when an old visit was brought in, which came at ReceivedAt by
	// its file; zero for one that came by its bell. Nobody rings then.
	ImportedAt time.Time
	// ClockDoubted says that ReceivedAt is by a clock that may have been wrong.
	ClockDoubted bool
	Hold         *Hold     // nil without
	Stills       []Still   // by frame
	Messages     []Message // that its bell's display got, oldest first
}

// A Stage says what is left of a visit.
type Stage int

const (
	Whole        Stage = iota // stills as they came
	Smaller                   // smaller stills
	OnlyFindings              // no stills, and no descriptors of faces
)

// Pending reports whether a still of the visit waits to be examined.
func (v Visit) Pending() bool {
	for _, s := range v.Stills {
		if s.State == Pending {
			return true
		}
	}
	return false
}

// ClockSkew returns how far the bell's clock is ahead of the server's, by the
// still that differs most; 0 where the bell never said its time.
func (v Visit) ClockSkew() time.Duration {
	var most time.Duration
	for _, s := range v.Stills {
		if d := s.TakenAt.Sub(s.ReceivedAt); !s.TakenAt.IsZero() && d.Abs() > most.Abs() {
			most = d
		}
	}
	return most
}

// A Tombstone is a visit that is gone.
type Tombstone struct {
	Visit    string
	Revision int64
}

package house

import (
	"image"
	"time"
)

// A Descriptor is 128 numbers that describe a face; the distance between two
// is small when they are of one person.
type Descriptor [128]float32

// A Face is a face found on a still, and who it probably is.
type Face struct {
	Box        image.Rectangle // pixels of the still
	Landmarks  []Point         // two corners of each eye and the base of the nose
	Descriptor Descriptor      // zeros once the still is gone
	Quality    *Quality        // nil if it was not measured, or the still is gone
	Liveness   *Liveness       // nil if it was not judged; without findings once the still is gone
	ImageHash  ImageHash       // 0 if the eyes were not made out, or the still is gone
	Match      *Match          // what was found, nil for a stranger; no answer changes it
	Said       *Said           // what a resident said whose it is; nil where nobody did
	Unlooked   int             // how many more faces the still seems to have, each of its faces says

	ID    string // "" for one that was not read from the archive
	Still string // id of the still that it is on
}

// Width returns the face's width in pixels of the still.
func (f Face) Width() int { return f.Box.Dx() }

// ExaminedWidth returns the face's width in pixels of the still as it was examined; a
// smaller one may have taken its place.
func (f Face) ExaminedWidth() int {
	if f.Quality != nil {
		return f.Quality.FaceWidth
	}
	return f.Width()
}

// Scaled returns a face in pixels of a still of another size.
func (f Face) Scaled(x, y float64) Face {
	at := func(p image.Point) image.Point { return Point{float64(p.X) * x, float64(p.Y) * y}.Round() }
	f.Box = image.Rectangle{at(f.Box.Min), at(f.Box.Max)}
	landmarks := make([]Point, len(f.Landmarks))
	for i, p := range f.Landmarks {
		landmarks[i] = Point{p.X * x, p.Y * y}
	}
	f.Landmarks = landmarks
	f.Liveness = f.Liveness.Scaled(x, y)
	return f
}

// A Match says whose face it probably is, and how sure that is.
type Match struct {
	Person      string  // id
	Name        string  // filled in when read, never stored here
	Distance    float64 // to the person, over all references and frames
	FPIR        float64 // at the gallery's size when it was judged
	Band        string  // strong, fair or weak
	Probability float64 // that it is this person, 0 to 1, under the prior then; 0 where it was not worked out
	Frames      int     // how many frames of the ring it was judged by; 0 where it is not known
}

// A Said is what a resident said of a face. To people it is the truth; what was
// found stands beside it, and advice goes by that alone.
type Said struct {
	Answer Answer
	Person string // id of whose face it is; "" for a stranger's, nobody's or who knows whose
	Name   string // of the person, filled in when read
	By     string // who said it, as in the audit trail
	ByName string // filled in when read; "" for who is no longer there
	At     time.Time
}

// Whose returns the id of the person whose face it is: as a resident said, or
// else as was found; "" for a stranger's and for what is no face.
func (f Face) Whose() string {
	switch {
	case f.Said != nil:
		return f.Said.Person
	case f.Match != nil:
		return f.Match.Person
	}
	return ""
}

// IsNone reports whether a resident said that it is no face.
func (f Face) IsNone() bool { return f.Said != nil && f.Said.Answer == AnswerNotFace }

// Recognised returns the match, unless a resident said that it is wrong: then it
// is a stranger's, nil. What a resident says makes no match, so that whoever
// decides something by a face decides by this.
func (f Face) Recognised() *Match {
	if f.Match == nil || f.Said != nil && f.Said.Person != f.Match.Person {
		return nil
	}
	return f.Match
}

// An ImageHash is a perceptual hash of a face's picture: pictures that look alike
// differ in few of its 64 bits. 0 is none.
type ImageHash uint64

// A NearDuplicate is a face of an earlier visit whose picture looks like another.
type NearDuplicate struct {
	Face
	Visit string
	At    time.Time // when the visit began
}

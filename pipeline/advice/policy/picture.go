package policy

// What is found of pictures can only speak against a suggestion. That nothing
// was found says nothing: most pictures pass. So it is no condition that can be
// met, and where it does not withhold it is not listed.

import (
	"fmt"
	"slices"
	"strings"

	"lintel/internal/house"
	"lintel/pipeline/liveness"
)

// Told returns the conditions as they may be shown: without what an earlier
// version of Lintel listed as met of a picture.
func Told(all []house.Condition) []house.Condition {
	return slices.DeleteFunc(slices.Clone(all), func(c house.Condition) bool { return c.Code == Sign && c.Met })
}

// persons says what of pictures speaks against letting the visitors in, ""
// where nothing does.
func (q *question) persons() string {
	var says []string
	for _, v := range q.visitors {
		if why := q.picture(v); why != "" {
			says = append(says, why)
		}
	}
	return strings.Join(says, " ")
}

// picture says it of one visitor. Where no rule holds that says what is allowed,
// nothing is.
func (q *question) picture(v *visitor) string {
	allowed, cantTell := v.ruling.sign()
	for _, f := range v.faces {
		l := f.Liveness
		if !lookedAt(l) {
			return "Whether the face of " + v.name + " may be a picture is not known."
		}
		if plainness(l.Level) > plainness(allowed) {
			return pictureSays(v.name, l.Level)
		}
		if l.Frames != v.frames { // a face on one still would vouch for a picture on another
			return fmt.Sprintf("%s is on %s, and signs of a picture were looked for on %d of them together.",
				v.name, counted(v.frames, "still"), l.Frames)
		}
		reasons := l.CantTell
		if l.Frames < 2 && len(reasons) == 0 {
			reasons = []string{liveness.OneFrame} // whatever the finding says
		}
		for _, why := range reasons {
			if why != liveness.OneFrame || !cantTell {
				return fmt.Sprintf("It can't be told whether the face of %s is a picture. %s", v.name, reason(why))
			}
		}
	}
	return ""
}

// anybody says it of whoever brings a parcel, known or not.
func (q *question) anybody() string {
	for _, s := range q.Visit.Stills {
		for _, f := range s.Faces {
			switch {
			case !lookedAt(f.Liveness):
				return "Whether a face may be a picture is not known."
			case f.Liveness.Level == house.Picture:
				return "A face looks like a picture."
			}
		}
	}
	return ""
}

// lookedAt reports whether a face was looked at, with a finding that can be.
func lookedAt(l *house.Liveness) bool {
	return l != nil && l.Probability >= 0 && l.Probability <= 1 && plainness(l.Level) >= 0
}

// reason is why something can't be told, as a sentence.
func reason(code string) string {
	if why := liveness.Why(code); why != "" {
		return why
	}
	return "Why is not known."
}

// plainness orders how plain signs of a picture are; it is negative for a level
// that is none.
func plainness(l house.LivenessLevel) int {
	return slices.Index([]house.LivenessLevel{house.NoSign, house.Doubtful, house.Picture}, l)
}

func pictureSays(name string, l house.LivenessLevel) string {
	if l == house.Doubtful {
		return fmt.Sprintf("There are signs that the face of %s is a picture.", name)
	}
	return fmt.Sprintf("The face of %s looks like a picture.", name)
}

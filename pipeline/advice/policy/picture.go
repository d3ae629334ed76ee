package policy

// What is found of pictures can only speak against a suggestion. That nothing
// was found says nothing: most pictures pass. So it is no condition that can be
// met, and where it does not withhold it is not listed.

import (
	"slices"

	"lintel/internal/house"
	"lintel/pipeline/liveness"
)

// Told returns the conditions as they may be shown: without what an earlier
// version of Lintel listed as met of a picture.
func Told(all []house.Condition) []house.Condition {
	return slices.DeleteFunc(slices.Clone(all), func(c house.Condition) bool { return c.Code == Sign && c.Met })
}

// against says what of pictures speaks against letting the visitors in.
func (q *question) against() (why []house.Reason) {
	for _, v := range q.visitors {
		if r := q.picture(v); r.Code != "" {
			why = append(why, r)
		}
	}
	return why
}

// picture says it of one visitor, with no code where nothing does. Where no rule
// holds that says what is allowed, nothing is.
func (q *question) picture(v *visitor) house.Reason {
	allowed, cantTell := v.ruling.sign()
	told := of(v)
	for _, f := range v.faces {
		l := f.Liveness
		switch {
		case !lookedAt(l):
			return house.Reason{Code: pictureUnknown, Values: told}
		case plainness(l.Level) > plainness(allowed) && l.Level == house.Doubtful:
			return house.Reason{Code: pictureDoubtful, Values: told}
		case plainness(l.Level) > plainness(allowed):
			return house.Reason{Code: picturePlain, Values: told}
		case !q.together(l.Frames, v): // a face on one still would vouch for a picture on another
			told.Count, told.Of = v.frames, l.Frames
			return house.Reason{Code: pictureApart, Values: told}
		}
		reasons := l.CantTell
		if l.Frames < 2 && len(reasons) == 0 {
			reasons = []string{liveness.OneFrame} // whatever the finding says
		}
		for _, why := range reasons {
			if why != liveness.OneFrame || !cantTell {
				told.Why = []string{why}
				return house.Reason{Code: pictureCantTell, Values: told}
			}
		}
	}
	return house.Reason{}
}

// anybody says it of whoever brings a parcel, known or not.
func (q *question) anybody() []house.Reason {
	for _, s := range q.Visit.Stills {
		for _, f := range s.Faces {
			switch {
			case !lookedAt(f.Liveness):
				return []house.Reason{{Code: pictureSomebodyUnknown}}
			case f.Liveness.Level == house.Picture:
				return []house.Reason{{Code: pictureSomebody}}
			}
		}
	}
	return nil
}

// lookedAt reports whether a face was looked at, with a finding that can be.
func lookedAt(l *house.Liveness) bool {
	return l != nil && l.Probability >= 0 && l.Probability <= 1 && plainness(l.Level) >= 0
}

// plainness orders how plain signs of a picture are; it is negative for a level
// that is none.
func plainness(l house.LivenessLevel) int {
	return slices.Index([]house.LivenessLevel{house.NoSign, house.Doubtful, house.Picture}, l)
}

package house

import "slices"

// A TabletMay is what whoever stands before a tablet may do there without being a
// resident: each includes the one before.
type TabletMay string

const (
	MayNow    TabletMay = "now"    // see who rings now
	MayLook   TabletMay = "look"   // and the visitor book
	MayAnswer TabletMay = "answer" // and answer who rings; what takes a resident, by their PIN
)

// TabletMays are all, from the least to the most.
var TabletMays = []TabletMay{MayNow, MayLook, MayAnswer}

// ErrBadTablet says that no tablet may be like that.
var ErrBadTablet error = Refusal("tablet-may")

// TabletRules are what a resident decided of a tablet.
type TabletRules struct {
	May   TabletMay `json:"may"`
	Guest bool      `json:"guest"` // whether it shows neither names nor what was
	Blur  bool      `json:"blur"`  // whether faces blur when nobody touches it
}

// Check reports what is wrong with them: ErrBadTablet.
func (r TabletRules) Check() error {
	if !slices.Contains(TabletMays, r.May) {
		return ErrBadTablet
	}
	return nil
}

// Allows reports whether a tablet of these rules may do what one of the right least
// may. With guests in the house it shows who rings, and nothing else.
func (r TabletRules) Allows(least TabletMay) bool {
	may := r.May
	if r.Guest {
		may = MayNow
	}
	return slices.Index(TabletMays, may) >= slices.Index(TabletMays, least)
}

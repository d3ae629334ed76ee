package house

// A Kind of visit is what rules of keeping go by.
type Kind string

const (
	Looking  Kind = "looking"  // a still is not examined yet; kept like a stranger's
	Known    Kind = "person"   // somebody enrolled was named
	Stranger Kind = "stranger" // a face, and nobody was named
	Parcel   Kind = "parcel"   // the household said so
	NoFace   Kind = "no-face"
	Damaged  Kind = "damaged" // no face, and a still is broken or could not be examined
)

// Kinds are those that have a rule, in the order of screens.
var Kinds = []Kind{Stranger, Known, Parcel, NoFace, Damaged}

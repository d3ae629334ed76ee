package house

import "errors"

// ErrBadLens says that no bell's lens looks like that, and why.
var ErrBadLens = errors.New("no bell's lens looks like that")

// A Lens says how a bell's camera looks at the doorstep, so that a face of so
// many pixels can be given a place.
type Lens struct {
	// Angle is the horizontal angle of view, in degrees: 20 to 200, and less
	// than 170 for a straight one.
	Angle float64 `json:"angle_deg"`
	// Projection is how the lens draws angles.
	Projection Projection `json:"projection"`
	// Height is that of the lens over the ground where visitors stand, in
	// metres, 0.3 to 3.
	Height float64 `json:"height_m"`
	// Tilt is how far the camera looks down, in degrees, -45 to 60; negative
	// is up.
	Tilt float64 `json:"tilt_deg"`
}

// A Projection is how far from the middle of the still a lens draws what is at
// an angle t to its axis.
type Projection string

const (
	Straight    Projection = "straight"    // f·tan(t): straight lines stay straight
	Equidistant Projection = "equidistant" // f·t: most lenses wider than 120 degrees
)

// Check reports what is wrong with the lens: ErrBadLens.
func (l Lens) Check() error {
	// Each test is of what is right, so that no number (NaN) fails it.
	switch {
	case l.Projection != Straight && l.Projection != Equidistant:
		return fault(ErrBadLens, "lens-projection")
	case !(l.Angle >= 20 && l.Angle <= 200):
		return fault(ErrBadLens, "lens-angle")
	case l.Projection == Straight && !(l.Angle < 170):
		return fault(ErrBadLens, "lens-angle-straight")
	case !(l.Height >= 0.3 && l.Height <= 3):
		return fault(ErrBadLens, "lens-height")
	case !(l.Tilt >= -45 && l.Tilt <= 60):
		return fault(ErrBadLens, "lens-tilt")
	}
	return nil
}

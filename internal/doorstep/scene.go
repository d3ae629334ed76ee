// Package doorstep draws what a bell's camera sees at an invented household's
// doors: invented people on a porch, in the day's light or the lamp's, as a
// wide-angle lens and a small sensor would have it. The same [Scene] gives the
// same still, byte for byte, and each still comes with the truth: who is on it,
// where, how far and which way they look.
//
//	still := doorstep.Scene{Door: doorstep.Front, At: at, Seed: 7,
//		Visitors: []doorstep.Visitor{{Who: doorstep.People[0], Distance: 0.8}}}.Still()
//	still.JPEG(85)  // what the bell sends
//	still.Truth     // what has to be found on it
//
// Drawn faces are no evidence of how well people are recognised: they show
// that the machine works, not how often it errs.
package doorstep

import (
	"image"
	"time"
)

// Width and Height are those of the bell's still, in pixels.
const (
	Width  = 1280
	Height = 1024
)

// A Door is one of the two that the invented household has.
type Door int

const (
	Front  Door = iota // a porch on the street
	Garden             // a gate at the back, under trees
)

// A Scene is all that decides what a still shows.
type Scene struct {
	Door     Door
	At       time.Time // where the sun stands, and whether the lamp is on, by its own clock
	Sky      Sky
	Visitors []Visitor
	Covered  float64 // 0 to 1: how much of the lens something covers
	Seed     uint64  // of the noise and all that is left to chance
}

// A Sky is the weather.
type Sky int

const (
	Clear Sky = iota
	Overcast
	Rain
)

// A Visitor is somebody before the bell.
type Visitor struct {
	Who      *Person
	Distance float64 // from the lens to the middle between the eyes, in metres, 0.3 to 4
	Aside    float64 // metres to the right of the camera's axis, negative to the left

	// Yaw, Pitch and Roll turn the head, in degrees, from looking into the lens: yaw to the
	// picture's right, pitch upwards, roll clockwise on the picture.
	Yaw, Pitch, Roll float64

	Smile    float64 // 0 to 1
	Eyes     float64 // 0 open to 1 shut
	Mouth    float64 // 0 shut to 1 open
	Glasses  bool
	Hat      bool
	Scarf    bool
	Carrying bool // a parcel, before the chest

	Shows Shown // a picture held up instead of a face of one's own
}

// Shown is a picture that is held before the bell: a plane in the hand.
type Shown struct {
	As Medium  // Nothing where none is held
	Of *Person // who is on it
}

// A Medium is what a shown picture is on.
type Medium int

const (
	Nothing Medium = iota
	Print          // on paper, bent a little, with a border
	Phone          // on a phone's screen, with its frame and glare
)

// A Still is a picture with the truth about it.
type Still struct {
	Image *image.NRGBA // Width by Height, or a part of that
	Truth []Face       // of all faces on it, also those on shown pictures, from the left
}

// A Face is what is true of one face on a still.
type Face struct {
	Who              *Person
	Box              image.Rectangle // around the face from brows to chin and ear to ear, cut at the still's border
	Landmarks        [5]Point        // see [LandmarkNames]
	Distance         float64         // metres, from the lens
	Yaw, Pitch, Roll float64         // degrees, as in [Visitor]
	Shown            Medium          // Nothing on a real face
	Mask             *image.Alpha    // which pixels show the head, with hair; Width by Height
}

// LandmarkNames are those of [Face.Landmarks], left and right on the picture.
var LandmarkNames = [5]string{"outer corner, left eye", "inner corner, left eye", "inner corner, right eye",
	"outer corner, right eye", "base of the nose"}

// A Point is a place on a still, in pixels from its upper left corner, whole at the middle of a pixel.
type Point struct{ X, Y float64 }

package face

import (
	"image"
	"sync"
	"time"

	"lintel/internal/doorstep"
)

// noon of a summer's day, by the drawn house's own clock.
var noon = time.Date(2031, 6, 17, 12, 0, 0, 0, time.UTC)

// porch draws a door with nobody before it.
func porch(door doorstep.Door) doorstep.Still {
	return doorstep.Scene{Door: door, At: noon, Seed: 1}.Still()
}

// aMetreOff is how many pixels wide the truth has a face a metre away, by which
// others are set as far off as their width asks for.
var aMetreOff = sync.OnceValue(func() float64 { return float64(before(1, 0, 0).Truth[0].Box.Dx()) })

func before(distance, roll float64, seed uint64) doorstep.Still {
	who := doorstep.People[seed%uint64(len(doorstep.People))]
	return doorstep.Scene{At: noon, Seed: seed,
		Visitors: []doorstep.Visitor{{Who: who, Distance: distance, Roll: roll}}}.Still()
}

// visitor draws a still as a bell sends it, with a face about so many pixels
// wide, or none if that is 0, tilted by so many degrees. It returns where the face is.
func visitor(width int, roll float64, seed uint64) ([]byte, image.Rectangle) {
	if width == 0 {
		return doorstep.Scene{At: noon, Seed: seed}.Still().JPEG(85), image.Rectangle{}
	}
	still := before(aMetreOff()/float64(width), roll, seed)
	return still.JPEG(85), still.Truth[0].Box
}

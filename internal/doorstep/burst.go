package doorstep

import (
	"time"

	"lintel/internal/doorstep/raster"
)

// How far those who wait move, at most about: of our own choice.
const (
	swayAside = 0.02 // metres
	swayNear  = 0.03
	swayYaw   = 7.0 // degrees
	swayPitch = 4.0
	swayRoll  = 3.0
	blinks    = 0.06 // how often eyes are shut
)

// Burst are the scenes of n stills of one ring, apart by interval, from the
// first, which is s: heads move a little, as those who wait do, and a picture in a
// hand moves as a plane.
func (s Scene) Burst(n int, interval time.Duration) []Scene {
	scenes := make([]Scene, n)
	for i := range scenes {
		scenes[i] = s
		scenes[i].At = s.At.Add(time.Duration(i) * interval)
		scenes[i].Visitors = make([]Visitor, len(s.Visitors))
		for k, v := range s.Visitors {
			scenes[i].Visitors[k] = v.after(time.Duration(i)*interval, s.Seed+uint64(k)<<32)
		}
	}
	return scenes
}

// after is the visitor as they stand a while later.
func (v Visitor) after(while time.Duration, seed uint64) Visitor {
	if while == 0 {
		return v
	}
	moved := func(which int) float64 { // smoothly, from 0
		from := raster.Vec{0, float64(mixed(seed) % 1000), float64(which) * 7.3}
		to := from
		to[0] = while.Seconds() / 0.9
		return noise(to) - noise(from)
	}
	v.Aside += swayAside * moved(0)
	v.Distance = max(0.3, v.Distance+swayNear*moved(1))
	v.Yaw += swayYaw * moved(2)
	v.Pitch += swayPitch * moved(3)
	v.Roll += swayRoll * moved(4)
	if float64(mixed(seed^uint64(while))%1000)/1000 < blinks {
		v.Eyes = 1
	}
	return v
}

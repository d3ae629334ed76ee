package fortnight

import (
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"strings"
	"time"

	"lintel/internal/doorstep"
	"lintel/internal/house"
)

// A visitor is one of those who ring, as the story has it: "Ruth, hat, scarf".
type visitor struct {
	who               string
	hat, glasses      bool
	scarf, parcel     bool
	smiling, talking  bool
	turned, near, far bool
	shows             doorstep.Medium
	of                string // whose picture is held up
}

// turn stands in the live part for whose turn it is.
const turn = "turn"

// visitorOf reads a visitor.
func visitorOf(text string) (v visitor, err error) {
	words := strings.Split(text, ",")
	v.who = strings.TrimSpace(words[0])
	may := map[string]*bool{"hat": &v.hat, "glasses": &v.glasses, "scarf": &v.scarf, "parcel": &v.parcel,
		"smiling": &v.smiling, "talking": &v.talking, "turned": &v.turned, "near": &v.near, "far": &v.far}
	for _, word := range words[1:] {
		word = strings.TrimSpace(word)
		if of, is := strings.CutPrefix(word, "print of"); is {
			v.shows, v.of = doorstep.Print, strings.TrimSpace(of)
		} else if of, is := strings.CutPrefix(word, "phone of"); is {
			v.shows, v.of = doorstep.Phone, strings.TrimSpace(of)
		} else if is := may[word]; is != nil {
			*is = true
		} else {
			return v, fmt.Errorf("%q is nothing a visitor can be", word)
		}
	}
	return v, nil
}

// apart is how far apart in time the stills of a ring are taken.
const apart = time.Second / 3

// chance is what is left to chance at a place in the story: the same each time.
func chance(place string) (seed uint64, r *rand.Rand) {
	h := fnv.New64a()
	h.Write([]byte(place))
	seed = h.Sum64()
	return seed, rand.New(rand.NewPCG(seed, 0))
}

// burst are the pictures that a bell takes of a ring.
func (s *Story) burst(h happening, m moment) []Frame {
	b, _ := s.bell(h.Ring)
	seed, r := chance(m.place)
	scene := doorstep.Scene{Door: doorstep.Door(b.Looks), At: m.light, Sky: doorstep.Sky(m.weather), Covered: h.Covered,
		Seed: seed}
	for i, v := range h.who {
		scene.Visitors = append(scene.Visitors, s.stand(v, i, len(h.who), r))
	}
	var frames []Frame
	for i, one := range scene.Burst(max(h.Frames, 1), apart) {
		frames = append(frames, Frame{Scene: one, Taken: m.at.Add(time.Duration(i) * apart)})
	}
	return frames
}

// stand puts a visitor before the bell, as the i-th of n from the left.
func (s *Story) stand(v visitor, i, n int, r *rand.Rand) doorstep.Visitor {
	about := func(middle, spread float64) float64 { return middle + spread*(2*r.Float64()-1) }
	made := doorstep.Visitor{Who: s.drawn[v.who], Distance: about(0.72, 0.12), Aside: about(0, 0.15),
		Yaw: about(0, 10), Pitch: about(2, 6), Roll: about(0, 4), Smile: about(0.15, 0.15),
		Glasses: v.glasses, Hat: v.hat, Scarf: v.scarf, Carrying: v.parcel}
	if n > 1 { // shoulder to shoulder
		made.Distance, made.Aside = about(0.9, 0.08), about(0.6*(float64(i)-float64(n-1)/2), 0.04)
	}
	switch {
	case v.near:
		made.Distance *= 0.65
	case v.far:
		made.Distance *= 2
	}
	if v.smiling {
		made.Smile = 0.9
	}
	if v.talking {
		made.Mouth = about(0.4, 0.2)
	}
	if v.turned {
		made.Yaw = 28
	}
	if v.shows != doorstep.Nothing {
		made.Shows = doorstep.Shown{As: v.shows, Of: s.drawn[v.of]}
	}
	return made
}

// poses are those in which somebody is enrolled, in the light that the doors have. A
// dark face in the shade has too little contrast to be enrolled by (package quality).
var poses = []struct {
	door                    doorstep.Door
	light                   house.DayTime
	weather                 doorstep.Sky
	distance, aside         float64
	yaw, pitch, roll, smile float64
}{
	{doorstep.Front, 22 * 60, doorstep.Overcast, 0.6, 0, 0, 0, 0, 0},
	{doorstep.Front, 10*60 + 30, doorstep.Clear, 0.6, -0.05, 12, 2, 0, 0.2},
	{doorstep.Garden, 13 * 60, doorstep.Overcast, 0.6, 0, 0, 0, 0, 0},
	{doorstep.Front, 10*60 + 30, doorstep.Clear, 0.6, 0.05, -10, -2, 2, 0},
	{doorstep.Front, 22 * 60, doorstep.Overcast, 0.6, 0, 14, -5, 0, 0.1},
	{doorstep.Front, 22 * 60, doorstep.Overcast, 0.65, 0, -12, 4, -2, 0.8},
	{doorstep.Garden, 18 * 60, doorstep.Overcast, 0.65, 0, 4, 2, 0, 0},
}

// sit takes pictures of somebody to be enrolled.
func (s *Story) sit(called string, pictures int, m moment) (frames []Frame) {
	for i := range pictures {
		p := poses[i%len(poses)]
		seed, _ := chance(fmt.Sprint("enrol ", called, i))
		frames = append(frames, Frame{Taken: m.at, Scene: doorstep.Scene{Door: p.door, At: wall(m.light, &p.light),
			Sky: p.weather, Seed: seed,
			Visitors: []doorstep.Visitor{{Who: s.drawn[called], Distance: p.distance, Aside: p.aside,
				Yaw: p.yaw, Pitch: p.pitch, Roll: p.roll, Smile: p.smile}}}})
	}
	return frames
}

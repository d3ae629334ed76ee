package match

import (
	"cmp"
	"slices"

	"lintel/internal/house"
)

// sameFaceFMR is the false match rate up to which two faces of one ring are
// taken for one person: two visitors at once, of the worst group, would be taken
// for one as often. It is more than a strong match has, since only faces of
// different frames are joined, and who is divided in two is judged by fewer
// frames.
const sameFaceFMR = 1e-3

// SameFace returns the largest distance at which two faces, on two frames of
// one ring, are taken for one person.
func (c *Curve) SameFace() float64 { return c.DistanceAt(sameFaceFMR) }

// IdentifyRing sets the match of every face of a ring: nil for a stranger. Frames
// holds the faces of each frame. Those of different frames that are one person are judged together, by all
// their descriptors, and get the same match. Faces without a descriptor are left as they are.
//
// Which are one person: the two nearest faces come first. A face joins others
// only where it is near enough to each of them (complete linkage), and no two
// of them are on one frame.
func (g *Gallery) IdentifyRing(frames [][]house.Face) {
	for _, faces := range g.SameFaces(frames) {
		probes := make([]Probe, len(faces))
		for i, f := range faces {
			probes[i] = ProbeOf(*f)
		}
		m := g.Identify(probes...)
		for _, f := range faces {
			f.Match = nil
			if m != nil {
				own := *m
				f.Match = &own
			}
		}
	}
}

// A sighting is a face on one of a ring's frames, and the group it is in.
type sighting struct {
	face         *house.Face
	frame, group int
}

// SameFaces groups the faces of a ring by person, as [Gallery.IdentifyRing] says;
// those without a descriptor are in no group.
func (g *Gallery) SameFaces(frames [][]house.Face) [][]*house.Face {
	var all []sighting
	for frame := range frames {
		for i := range frames[frame] {
			if f := &frames[frame][i]; f.Descriptor != (house.Descriptor{}) {
				all = append(all, sighting{f, frame, len(all)})
			}
		}
	}
	type pair struct {
		a, b     int
		distance float64
	}
	var pairs []pair
	limit := g.curve.SameFace()
	for b := range all {
		for a := range b {
			if d := Distance(&all[a].face.Descriptor, &all[b].face.Descriptor); d <= limit && all[a].frame != all[b].frame {
				pairs = append(pairs, pair{a, b, d})
			}
		}
	}
	slices.SortStableFunc(pairs, func(a, b pair) int { return cmp.Compare(a.distance, b.distance) })
	for _, p := range pairs {
		join(all, all[p.a].group, all[p.b].group, limit)
	}
	groups := make([][]*house.Face, len(all))
	for _, s := range all {
		groups[s.group] = append(groups[s.group], s.face)
	}
	return slices.DeleteFunc(groups, func(faces []*house.Face) bool { return len(faces) == 0 })
}

// join makes two groups one, if every face of one can be that of the other.
func join(all []sighting, one, other int, limit float64) {
	for _, a := range all {
		for _, b := range all {
			if a.group == one && b.group == other &&
				(a.frame == b.frame || Distance(&a.face.Descriptor, &b.face.Descriptor) > limit) {
				return
			}
		}
	}
	for i := range all {
		if all[i].group == other {
			all[i].group = one
		}
	}
}

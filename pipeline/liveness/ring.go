package liveness

import (
	"image"
	"math"
	"slices"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// A Frame is one still of a ring with what was found on it.
type Frame struct {
	Number    int
	Thumbnail *Thumbnail // nil if the still is not there any more
	Faces     []house.Face
}

// A Thumbnail is a still made small, which is enough to know a copy.
type Thumbnail struct {
	Width, Height int         // pixels of the still
	Luma          *image.Gray // a quarter as wide and high
}

// thumbnailScale is how many pixels of a still make one of a thumbnail, along a side.
const thumbnailScale = 4

// NewThumbnail makes a thumbnail of a still.
func NewThumbnail(still image.Image) *Thumbnail {
	s := newScene(still)
	w, h := s.bounds.Dx()/thumbnailScale, s.bounds.Dy()/thumbnailScale
	g := &Thumbnail{s.bounds.Dx(), s.bounds.Dy(), image.NewGray(image.Rect(0, 0, w, h))}
	for y := range h {
		for x := range w {
			sum := 0
			for dy := range thumbnailScale {
				row := (y*thumbnailScale+dy)*s.stride + x*thumbnailScale
				for _, v := range s.luma[row : row+thumbnailScale] {
					sum += int(v)
				}
			}
			g.Luma.Pix[y*g.Luma.Stride+x] = uint8((sum + thumbnailScale*thumbnailScale/2) / (thumbnailScale * thumbnailScale))
		}
	}
	return g
}

// A sighting is one person's face on one of the frames.
type sighting struct {
	frame *Frame
	face  *house.Face
}

// JudgeRing sets the Liveness of each face of a ring to what all of its frames
// together say. Each face has been examined; those that were not are left
// alone. The frames are in any order. It may be called again when another frame
// came: what it said of the ring before is replaced.
func JudgeRing(frames []Frame) {
	for _, seen := range tracks(frames) {
		judgeTrack(seen)
	}
}

func judgeTrack(seen []sighting) {
	odds, repeated := 0.0, false
	var r Regression
	for _, s := range seen {
		findings := ofStill(s.face.Liveness.Findings)
		s.face.Liveness = &house.Liveness{Frames: len(seen), Findings: findings}
		judge(s.face.Liveness)
		scores := Scores(findings)
		own := weights.of(scores)
		if r.Weights == nil || own.Weights[Network] > 0 {
			r = own // the levels of the networks, where they saw any of the stills
		}
		odds += own.LogOdds(scores) / float64(len(seen))
		repeated = repeated || scores[Repeat] > 0
	}
	if len(seen) < 2 {
		return
	}
	copies := measureCopies(seen)
	copies.Sign = Copies
	copies = tidy(copies)
	if copies.Score > 0.5 {
		odds = max(odds, logOdds(r.Doubtful)) // whatever is on a frame that came twice, the ring is not what it says
	}
	if repeated {
		odds = max(odds, r.LogOdds(map[string]float64{Repeat: 1})) // one copy is enough
	}
	for _, s := range seen {
		l, f := s.face.Liveness, copies
		if f.Score > 0 {
			f.Region = outline(s.face.Box, 1)
		}
		l.Findings = append(l.Findings, f)
		r.settle(l, odds)
		l.CantTell = cantTell(l.Findings)
	}
}

// ofStill returns the findings that are not of a ring.
func ofStill(findings []house.Finding) []house.Finding {
	return slices.DeleteFunc(slices.Clone(findings), func(f house.Finding) bool {
		return !slices.ContainsFunc(signs, func(s sign) bool { return s.code == f.Sign }) && f.Sign != Repeat
	})
}

// outline returns the corners of a box, so many times as large.
func outline(box image.Rectangle, times float64) []house.Point {
	mx, my := float64(box.Min.X+box.Max.X)/2, float64(box.Min.Y+box.Max.Y)/2
	w, h := float64(box.Dx())/2*times, float64(box.Dy())/2*times
	return []house.Point{{X: mx - w, Y: my - h}, {X: mx + w, Y: my - h}, {X: mx + w, Y: my + h}, {X: mx - w, Y: my + h}}
}

// samePerson is the distance between two descriptors up to which two faces of
// one ring are taken for one person's. A wrong link costs little here: the
// faces of two persons do not move as one plane.
const samePerson = 0.5

// tracks returns the faces of each person on the frames, by the number of the
// frame, those who came first to the left. A face without descriptor is a
// track of its own, and one without findings is in none.
func tracks(frames []Frame) [][]sighting {
	frames = slices.Clone(frames)
	slices.SortFunc(frames, func(a, b Frame) int { return a.Number - b.Number })
	var all [][]sighting
	for i := range frames {
		seen := make(map[int]bool) // tracks that have a face on this frame
		for k := range frames[i].Faces {
			face := &frames[i].Faces[k]
			if face.Liveness == nil {
				continue
			}
			best, nearest := -1, samePerson
			for t, track := range all {
				if d := distance(track[len(track)-1].face, face); !seen[t] && d < nearest {
					best, nearest = t, d
				}
			}
			if best < 0 {
				best = len(all)
				all = append(all, nil)
			}
			all[best] = append(all[best], sighting{&frames[i], face})
			seen[best] = true
		}
	}
	return all
}

// distance is that of two faces' descriptors, infinite if one has none.
func distance(a, b *house.Face) float64 {
	if a.Descriptor == (house.Descriptor{}) || b.Descriptor == (house.Descriptor{}) {
		return math.Inf(1)
	}
	return match.Distance(&a.Descriptor, &b.Descriptor)
}

package liveness

import (
	"image"
	"math"
	"math/bits"
	"slices"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// A still that was there before: somebody shows the bell a still of its own, or
// sends one with a bell's secret. Two pictures of one person, even a moment
// apart, differ in light, in how the head is held and in noise. A copy, made
// smaller and compressed again as it may be, does not, and that shows in two
// ways which fail differently:
//
//   - a perceptual hash of the face, 64 bits (the discrete cosine transform of a
//     small picture against its median: Zauner, Implementation and Benchmarking of
//     Perceptual Image Hash Functions, 2010, from memory), on the face drawn with
//     its eyes level, so that it does not depend on size and place, and
//   - the distance of the descriptors, which is far below that of two pictures
//     of one person.
//
// Both must agree. Somebody who rings twice within minutes may still stand as
// they stood, so there the two have to be alike as only a copy is that was hardly
// packed anew. MEASUREMENTS.md says what they are for copies and for the next
// still of a ring. A still that is printed and held before the bell is another
// picture by this measure, and is not found here.
const (
	repeatBits     = 10   // of 64 may differ
	repeatDistance = 0.10 // between the descriptors

	soon         = 10 * time.Minute
	soonBits     = 2
	soonDistance = 0.06
)

// isCopy reports whether two faces are of one picture, that came so long apart.
func isCopy(differ int, distance float64, apart time.Duration) bool {
	if apart.Abs() < soon {
		return differ <= soonBits && distance <= soonDistance
	}
	return differ <= repeatBits && distance <= repeatDistance
}

// lookSide is how many samples wide and high the face is hashed with, and
// lookSpan how many eye spans they cover.
const (
	lookSide = 32
	lookSpan = 2.6
)

// LookOf returns the perceptual hash of a face, or 0 if its eyes were not made
// out.
func LookOf(still image.Image, face house.Face) house.ImageHash {
	v := newScene(still).view(face)
	if v.span == 0 {
		return 0
	}
	return lookOf(v.small())
}

// small returns the face in lookSide × lookSide samples, the eyes level.
func (v *view) small() *[lookSide][lookSide]float64 {
	var s [lookSide][lookSide]float64
	const fine = 3 // samples along each side of a sample, lest fine detail alias
	for y := range s {
		for x := range s[y] {
			for k := range fine * fine {
				right := (float64(x)+(float64(k%fine)+.5)/fine)/lookSide - .5
				down := (float64(y)+(float64(k/fine)+.5)/fine)/lookSide - .35
				p := v.upright(right*lookSpan, down*lookSpan)
				s[y][x] += v.lumaBetween(p.X, p.Y) / (fine * fine)
			}
		}
	}
	return &s
}

// lookOf takes the 64 lowest frequencies that vary along both directions, and
// sets a bit for each that is above the median.
func lookOf(s *[lookSide][lookSide]float64) house.ImageHash {
	const n = 8
	var wave [n][lookSide]float64
	for u := range wave {
		for x := range wave[u] {
			wave[u][x] = math.Cos(math.Pi * (float64(x) + .5) * float64(u+1) / lookSide)
		}
	}
	var rows [lookSide][n]float64
	for y := range s {
		for u := range n {
			for x, luma := range s[y] {
				rows[y][u] += luma * wave[u][x]
			}
		}
	}
	var all [n * n]float64
	for v := range n {
		for u := range n {
			for y := range rows {
				all[v*n+u] += rows[y][u] * wave[v][y]
			}
		}
	}
	sorted := all
	slices.Sort(sorted[:])
	median := (sorted[n*n/2-1] + sorted[n*n/2]) / 2
	var look house.ImageHash
	for i, c := range all {
		if c > median {
			look |= 1 << i
		}
	}
	return look
}

// Repeats looks among earlier faces whose pictures look alike for one that this
// is a copy of, and adds what it finds to the findings of the face, which has
// been examined, and to its level. The face of a still that is no copy is left
// as it is.
func Repeats(face *house.Face, earlier []house.NearDuplicate, now time.Time) {
	if face.Liveness == nil || face.ImageHash == 0 {
		return
	}
	for _, e := range earlier {
		differ := bits.OnesCount64(uint64(face.ImageHash ^ e.ImageHash))
		distance := match.Distance(&face.Descriptor, &e.Descriptor)
		if e.Descriptor == (house.Descriptor{}) || !isCopy(differ, distance, now.Sub(e.At)) {
			continue
		}
		own := slices.DeleteFunc(slices.Clone(face.Liveness.Findings),
			func(f house.Finding) bool { return f.Sign == Repeat })
		hours := now.Sub(e.At).Hours()
		face.Liveness.Findings = append(own, tidy(house.Finding{
			Sign: Repeat, Score: 1, Values: []float64{float64(differ), distance, hours}, Region: outline(face.Box, 1),
		}))
		judge(face.Liveness)
		return
	}
}

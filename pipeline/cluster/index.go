package cluster

import (
	"math"
	"slices"

	"lintel/internal/house"
)

// dims is how many numbers a descriptor has.
const dims = len(house.Descriptor{})

// step is how far apart two codes are that follow each other: numbers of dlib's
// descriptors lie within 0.5 of 0, and 127 steps go nearly as far.
const step = 1.0 / 256

// blockFaces is how many faces lie together, so that an index grows without being
// copied and a small one stays small.
const blockFaces = 512

// An Index holds faces in memory, coarsely: a byte for each number of a descriptor
// and 24 for each face beside, 152 MB for a million. It finds those that may be within
// a distance of one: all that are, and the few of which the codes can't tell. Each
// face is known by its place, a number that rises from one that is added to the next.
// It is for one goroutine at a time.
type Index struct {
	blocks  []*block
	live    int // faces that are there
	removed int // and what is left of others
}

type block struct {
	n        int
	codes    [blockFaces * dims]int8 // face after face
	place    [blockFaces]int64
	stranger [blockFaces]int64
	off      [blockFaces]float32 // how far a face is from its codes, rounded up; gone of one that was removed
}

// gone is in place of how far a face is from its codes.
const gone = -1

// A Near is a face that may be within a distance: it is Least to Most away.
type Near struct {
	Place, Stranger int64
	Least, Most     float64
}

// Len returns how many faces there are.
func (x *Index) Len() int { return x.live }

// Add adds a face, whose place is higher than all before.
func (x *Index) Add(place, stranger int64, face *house.Descriptor) {
	if len(x.blocks) == 0 || x.blocks[len(x.blocks)-1].n == blockFaces {
		x.blocks = append(x.blocks, new(block))
	}
	b := x.blocks[len(x.blocks)-1]
	b.off[b.n] = encode((*[dims]int8)(b.codes[b.n*dims:]), face)
	b.place[b.n], b.stranger[b.n] = place, stranger
	b.n++
	x.live++
}

// encode writes the codes of a face and returns how far it is from them, rounded up.
func encode(codes *[dims]int8, face *house.Descriptor) (off float32) {
	sum := 0.0
	for i, v := range face {
		code := math.Round(min(max(float64(v)/step, -127), 127))
		codes[i] = int8(code)
		d := float64(v) - code*step
		sum += d * d
	}
	return roundedUp(math.Sqrt(sum))
}

func roundedUp(exact float64) float32 {
	rounded := float32(exact)
	if float64(rounded) < exact {
		rounded = math.Nextafter32(rounded, float32(math.Inf(1)))
	}
	return rounded
}

// find returns where a face is, nil where it is not.
func (x *Index) find(place int64) (b *block, at int) {
	i, _ := slices.BinarySearchFunc(x.blocks, place, func(b *block, place int64) int {
		if b.place[b.n-1] < place {
			return -1
		}
		return 1
	})
	if i == len(x.blocks) {
		return nil, 0
	}
	b = x.blocks[i]
	at, found := slices.BinarySearch(b.place[:b.n], place)
	if !found || b.off[at] == gone {
		return nil, 0
	}
	return b, at
}

// SetStranger says whose a face is; 0 for nobody's yet.
func (x *Index) SetStranger(place, stranger int64) {
	if b, at := x.find(place); b != nil {
		b.stranger[at] = stranger
	}
}

// Remove removes a face, of which nothing stays in memory.
func (x *Index) Remove(place int64) {
	b, at := x.find(place)
	if b == nil {
		return
	}
	clear(b.codes[at*dims : (at+1)*dims])
	b.off[at] = gone
	x.live--
	if x.removed++; x.removed > blockFaces+x.live/4 {
		x.compact()
	}
}

// compact lets go of what is left of faces that were removed.
func (x *Index) compact() {
	old := x.blocks
	*x = Index{}
	for _, b := range old {
		for at := range b.n {
			if b.off[at] == gone {
				continue
			}
			if x.live%blockFaces == 0 {
				x.blocks = append(x.blocks, new(block))
			}
			to := x.blocks[len(x.blocks)-1]
			copy(to.codes[to.n*dims:(to.n+1)*dims], b.codes[at*dims:])
			to.place[to.n], to.stranger[to.n], to.off[to.n] = b.place[at], b.stranger[at], b.off[at]
			to.n++
			x.live++
		}
		clear(b.codes[:])
	}
}

// slack is more than what rounding adds to a distance of the codes.
const slack = 1e-6

// Within returns the faces that may be within a distance of one, in the order of
// their places.
func (x *Index) Within(face *house.Descriptor, distance float64) (near []Near) {
	var codes [dims]int8
	own := float64(encode(&codes, face))
	var one [dims]int32
	for i, c := range codes {
		one[i] = int32(c)
	}
	reach := distance + own + slack
	for _, b := range x.blocks {
		for at := range b.n {
			off := b.off[at]
			if off == gone {
				continue
			}
			r := (reach + float64(off)) / step
			sum, ok := apart((*[dims]int8)(b.codes[at*dims:]), &one, int32(min(r*r, math.MaxInt32-1))+1)
			if !ok {
				continue
			}
			d, slop := math.Sqrt(float64(sum))*step, own+float64(off)+slack
			near = append(near, Near{b.place[at], b.stranger[at], max(0, d-slop), d + slop})
		}
	}
	return near
}

// apart returns the sum of the squares of the differences, unless it is beyond the
// limit: most faces are told apart long before the last number.
func apart(codes *[dims]int8, one *[dims]int32, limit int32) (sum int32, ok bool) {
	for at := 0; at < dims; at += 16 {
		a, b := (*[16]int8)(codes[at:]), (*[16]int32)(one[at:])
		d0, d1, d2, d3 := int32(a[0])-b[0], int32(a[1])-b[1], int32(a[2])-b[2], int32(a[3])-b[3]
		s, t := d0*d0+d1*d1, d2*d2+d3*d3
		d0, d1, d2, d3 = int32(a[4])-b[4], int32(a[5])-b[5], int32(a[6])-b[6], int32(a[7])-b[7]
		s, t = s+d0*d0+d1*d1, t+d2*d2+d3*d3
		d0, d1, d2, d3 = int32(a[8])-b[8], int32(a[9])-b[9], int32(a[10])-b[10], int32(a[11])-b[11]
		s, t = s+d0*d0+d1*d1, t+d2*d2+d3*d3
		d0, d1, d2, d3 = int32(a[12])-b[12], int32(a[13])-b[13], int32(a[14])-b[14], int32(a[15])-b[15]
		s, t = s+d0*d0+d1*d1, t+d2*d2+d3*d3
		if sum += s + t; sum > limit {
			return 0, false
		}
	}
	return sum, true
}
